"""Arrival and polarity in the virtual room, as a sweep in noise would show them."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.arrival import arrival
from roomtune.analysis.polarity import polarity
from roomtune.signal.sweeps import Sweep, band_gain
from roomtune.signal.values import ImpulseResponse
from roomtune.system.reading import read_system
from roomtune.virtual.places import loudspeaker_positions, seat_positions
from roomtune.virtual.random import random_scenario
from roomtune.virtual.room import VirtualRoom
from roomtune.virtual.scenario import SHIPPED, load_scenario

LARGEST_ERROR_S = {
    "tweeter": 10e-6,
    "midrange": 20e-6,
    "full range": 8e-6,
    "woofer": 50e-6,
    "subwoofer": 3e-3,
}


@pytest.fixture(scope="module", params=["garden-studio", "attic-stereo"])
def room(request):
    system = read_system(SHIPPED / request.param / "system.toml")
    return VirtualRoom(load_scenario(request.param), system), system


def swept(truth, band_hz, rng, snr_db=60.0):
    """The truth through a sweep's band, 0.1 s of silence before it, and noise."""
    rate = truth.sample_rate_hz
    sweep = Sweep(band_hz[0], min(band_hz[1], 0.48 * rate), 3.0, rate)
    before = int(0.1 * rate)
    samples = np.concatenate([np.zeros(before), truth.samples])
    length = 2 * len(samples)
    gain = band_gain(sweep, np.fft.rfftfreq(length, 1 / rate))
    heard = np.fft.irfft(np.fft.rfft(samples, length) * gain)[: len(samples)]
    heard += rng.standard_normal(len(heard)) * np.abs(heard).max() * 10 ** (-snr_db / 20)
    return ImpulseResponse(heard, rate, truth.start_s - before / rate), sweep.valid_band_hz


def true_output(virtual, output):
    """What the room knows of an output."""
    return next(item for item in virtual.scenario.output if item.name == output.name)


def truth_s(virtual, system, output, seat):
    """Time of flight from the driver itself, and its electronic delay."""
    item = true_output(virtual, output)
    stands = loudspeaker_positions(virtual.scenario, system)[output.loudspeaker].position_m
    place = seat_positions(virtual.scenario, system)[seat.name]
    way = np.linalg.norm(np.add(stands, item.offset_m) - np.array(place))
    return way / virtual.scenario.room.speed_of_sound_m_s + item.delay_ms / 1000


@pytest.mark.slow
def test_arrival_and_polarity_of_every_output_at_every_seat(room):
    virtual, system = room
    rng = np.random.default_rng(0)
    covered = []
    for output in system.outputs:
        for seat in system.seats[:2]:
            heard, band = swept(virtual.truth(output.name, seat.name), output.safe_band_hz, rng)
            found, sign = arrival(heard, band), polarity(heard, band)
            error = float(found.time_s) - truth_s(virtual, system, output, seat)
            assert abs(error) < LARGEST_ERROR_S[output.driver], (output.name, seat.name)
            covered.append(abs(error) < 2 * found.uncertainty_s)
            reversed_there = true_output(virtual, output).reversed
            assert sign.sign == (-1 if reversed_there else 1), (output.name, seat.name)
    assert np.mean(covered) > 0.9


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "sign"), [(234, 1), (237, -1)])
def test_a_woofer_whose_bass_rings_in_the_room_keeps_its_polarity(seed, sign):
    scenario, system = random_scenario(seed)
    room = VirtualRoom(scenario, system).quiet()
    band = system.output("right woofer").safe_band_hz
    for seat in system.seats:
        found = polarity(room.truth("right woofer", seat.name), band)
        assert found.sign == sign
        assert found.confidence > 0.9
