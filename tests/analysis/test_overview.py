"""The view of a whole room agrees with what it is made of."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.overview import mean_decay_s, view_output, view_room
from roomtune.analysis.rooms import rectangular_modes
from roomtune.signal.values import ImpulseResponse

RATE = 48000.0


@pytest.fixture(scope="module")
def seats():
    """A full-range loudspeaker at three seats: direct sound, one reflection, a decay of 0.4 s."""
    rng = np.random.default_rng(0)
    count = 1 << 15
    frequencies = np.fft.rfftfreq(2 * count, 1 / RATE)
    s = 1j * frequencies
    speaker = s**2 / (s**2 + 1.3 * 60 * s + 3600) / (1 + s / 18e3) ** 2
    arrivals = np.array([0.006, 0.0071, 0.0083])
    times = np.arange(2 * count) / RATE
    rows = []
    for arrival_s in arrivals:
        tail = rng.standard_normal(2 * count) * np.exp(-3 * np.log(10) * times / 0.4) * 0.02
        tail[: int(0.012 * RATE)] = 0
        room = 1 + 0.5 * np.exp(-2j * np.pi * frequencies * 0.004) + np.fft.rfft(tail)
        flight = np.exp(-2j * np.pi * frequencies * arrival_s)
        rows.append(np.fft.irfft(speaker * room * flight)[:count])
    samples = -np.array(rows) + 1e-6 * rng.standard_normal((3, count))
    return ImpulseResponse(samples, RATE), arrivals


def test_view_of_an_output(seats):
    response, arrivals = seats
    view = view_output(response, (40.0, 18e3), [2.0, 1.0, 1.0], main_seat=1)
    assert view.arrival.time_s == pytest.approx(arrivals[1], abs=1e-5)
    assert view.polarity.sign == -1
    assert view.level_db.shape == (3,)
    assert view.range_hz[0] < 60
    assert view.decay is not None
    assert mean_decay_s((view.decay, None)) == pytest.approx(0.4, rel=0.1)
    whole = response.response()
    again = view_output(response, (40.0, 18e3), [2.0, 1.0, 1.0], 1, whole)
    assert np.array_equal(again.level_db, view.level_db)
    assert again.range_hz == view.range_hz


def test_a_subwoofer_tells_no_decay_of_the_middle(seats):
    response, _ = seats
    assert view_output(response, (20.0, 300.0)).decay is None
    found = view_output(response, (20.0, 900.0)).decay
    assert found is not None
    assert found.centres_hz == pytest.approx([501.2], rel=1e-3)


def test_view_of_a_room_names_its_modes():
    size = (4.8, 3.9, 2.45)
    rng = np.random.default_rng(2)
    modes = rectangular_modes(size, 118.0)
    times = np.arange(4000) / 2000.0
    frequencies = np.array([m.frequency_hz for m in modes])[:, None]
    waves = np.exp(-7 * times) * np.sin(2 * np.pi * frequencies * times)
    samples = rng.normal(size=(4, 3, len(modes))) @ waves
    samples += 1e-3 * rng.standard_normal(samples.shape)
    bands = np.array([[20.0, 300.0], [20.0, 300.0], [20.0, 300.0], [800.0, 20e3]])
    view = view_room(ImpulseResponse(samples, 2000.0), bands, (), size)
    assert view.modes is not None
    assert view.modes.amplitudes.shape[:2] == (3, 3)
    assert [name.indices for name in view.names if name] == [m.indices for m in modes]
    assert view.low_outputs == (0, 1, 2)
    assert np.isnan(view.schroeder_hz)
    # all decay in 0.987 s: longer than what is noticed from 32 Hz (0.85 s) on
    assert np.all(view.lasting)
    high = view_room(ImpulseResponse(samples, 2000.0), bands[3:])
    assert high.modes is None
    assert high.names == ()
