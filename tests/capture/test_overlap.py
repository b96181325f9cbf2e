"""Packed sweeps: nothing may touch a linear response, and time must be saved."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.capture.measure import capture_take
from roomtune.capture.overlap import Packing, Place, Room, at_rate, pack
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.capture.together import (
    capture_fast,
    capture_together,
    passage,
    passage_signals,
)
from roomtune.signal.sweeps import Sweep, pre_time_s, raised_cosine

RATE = 48000
ROOM = Room(decay_s=0.4)


def request(number, band_hz, duration_s, rate=RATE, settings=None):
    return TakeRequest(
        source=f"output {number}",
        kind="output",
        seat="middle",
        interface_output=number,
        sweep=Sweep(*band_hz, duration_s, rate),
        level_dbfs=-20.0,
        reference=Reference("acoustic", Marker(1500, 8000, 0.1, -20.0), 1),
        settings=settings or CaptureSettings(sweep_duration_s=duration_s),
    )


def touching(packing, room):
    """Pairs and orders that reach into a linear response, by brute force over frequency."""
    found = []
    for victim in packing.places:
        low, high = victim.request.sweep.start_hz * 0.6, victim.request.sweep.stop_hz
        for source in packing.places:
            for order in range(1, room.highest_order + 1):
                if source is victim:
                    continue
                sweep = source.request.sweep
                grid = np.geomspace(low, high, 60)
                grid = grid[(grid >= order * sweep.start_hz) & (grid <= order * sweep.stop_hz)]
                begins = source.begin_s + sweep.time_of_s(grid / order)
                lag = begins - victim.begin_s - victim.request.sweep.time_of_s(grid)
                after = lag + room.decay_s * (70 if order == 1 else 30) / 60
                clear = (lag >= room.decay_s * 70 / 60) | (
                    after <= -pre_time_s(victim.request.sweep)
                )
                if not clear.all():
                    found.append((source.request.source, order, victim.request.source))
    return found


@given(
    bands=st.lists(
        st.sampled_from([(15, 250), (60, 4000), (100, 16000), (1500, 20000)]),
        min_size=1,
        max_size=8,
    ),
    decay_s=st.floats(0.1, 0.8),
    duration_s=st.floats(1.5, 5),
)
@settings(max_examples=25, derandomize=True, deadline=None)
def test_no_order_touches_a_linear_response(bands, decay_s, duration_s):
    room = Room(decay_s)
    requests = [request(n + 1, band, duration_s) for n, band in enumerate(bands)]
    packing = pack(requests, room)
    assert touching(packing, room) == []
    assert {p.request.source for p in packing.places} == {r.source for r in requests}
    # No response is measured with less energy per frequency than was asked for.
    slowest = max(r.sweep.rate_s for r in requests)
    assert all(p.request.sweep.rate_s >= slowest - 1e-9 for p in packing.places)
    for place in packing.places:
        original = next(r for r in requests if r.source == place.request.source)
        assert place.request.sweep.start_hz >= original.sweep.start_hz - 1e-9
        assert place.request.sweep.stop_hz == original.sweep.stop_hz


def test_the_check_itself_can_fail():
    one, two = request(1, (100, 16000), 3), request(2, (100, 16000), 3)
    colliding = Packing((Place(one, 0.0), Place(two, 0.3)), 0, 0)
    assert touching(colliding, ROOM)


def test_twelve_equal_outputs_take_a_quarter_of_the_time():
    # Wanted: twelve outputs, same sweep length and band, reverberation 0.4 s,
    # second and third harmonics at -40 dB: at most a quarter of the sequential time.
    requests = [request(n, (100, 18000), 10) for n in range(1, 13)]
    packing = pack(requests, ROOM)
    assert packing.packed_s <= packing.sequential_s / 4


def test_schedule_agrees_with_the_published_rule_for_two_interleaved_sweeps():
    # Majdak et al. 2007: interleaving two sweeps needs L ln 2 >= L1 + L2; then the
    # second starts L1 after the first.
    requests = [request(n, (100, 16000), 8) for n in (1, 2)]
    room = Room(decay_s=0.3, highest_order=2)
    packing = pack(requests, room)
    first, second = packing.places
    spacing = second.begin_s - first.begin_s
    linear_s = room.length_s(1) + pre_time_s(second.request.sweep)
    assert second.request.sweep.lead_s(2) > linear_s + room.length_s(2)
    assert spacing == pytest.approx(linear_s, abs=0.04)


def test_bands_that_never_meet_sound_together():
    packing = pack([request(1, (15, 200), 3), request(2, (1500, 20000), 3)], ROOM)
    assert [place.begin_s for place in packing.places] == [0, 0]


def test_the_common_rate_is_exact_and_synchronized():
    changed = at_rate(request(1, (63, 7000), 3), 1.17)
    assert changed.sweep.rate_s == pytest.approx(1.17, abs=1e-12)
    cycles = changed.sweep.start_hz * 1.17
    assert cycles == pytest.approx(round(cycles), abs=1e-9)
    assert 63 <= changed.sweep.start_hz < 63 + 1 / 1.17


def test_what_cannot_be_packed_is_refused():
    one = request(1, (100, 16000), 3)
    with pytest.raises(ValueError, match="nothing to pack"):
        pack([], ROOM)
    with pytest.raises(ValueError, match="none by hand"):
        pack([one, replace(one, by_hand=True)], ROOM)
    with pytest.raises(ValueError, match="one seat"):
        pack([one, replace(one, seat="other")], ROOM)


def test_levels_and_silence_of_a_passage():
    packing = pack([request(1, (15, 200), 2), request(2, (1500, 20000), 2)], ROOM)
    whole = passage(packing, ROOM)
    signals = passage_signals(whole)
    assert np.abs(signals).max() <= 10 ** (-20 / 20) * (1 + 1e-12)
    assert not signals[: round(0.69 * RATE)].any()
    assert not signals[-round(0.4 * RATE) :].any()


def error_db(take, truth, advance_s):
    """Energy of the error against the truth, cut as the take is, in the valid band."""
    length = 2**17
    frequencies = scipy.fft.rfftfreq(length, 1 / RATE)
    low, high = take.stimulus.valid_band_hz
    inside = (frequencies >= low * 1.2) & (frequencies <= high)
    got = take.impulse_response.response(length).values[inside]
    turn = np.exp(2j * np.pi * frequencies * advance_s)
    expected = (scipy.fft.rfft(truth, length) * turn)[inside]
    return 10 * math.log10(np.sum(np.abs(got - expected) ** 2) / np.sum(np.abs(expected) ** 2))


@pytest.mark.parametrize("noise_rms", [1e-9, 2e-5])
def test_overlapped_responses_are_as_good_as_sequential_ones(small_room, room_response, noise_rms):
    # Wanted: at most 3 dB above the error of sequential takes, and no residue of a
    # neighbour above -70 dB. Loudspeakers with second and third order at -40 dB.
    settings = CaptureSettings(sweep_duration_s=4, tail_s=0.5)
    loopback = Reference("loopback", Marker(1500, 8000, 0.1, -20.0), 5, 2)
    requests = [
        replace(request(n, (100, 16000), 4, settings=settings), reference=loopback)
        for n in range(1, 5)
    ]
    paths = {n: room_response(n, delay_s=0.004, band_hz=(120, 14000)) for n in range(1, 5)}

    class Bent(small_room):
        def play_and_record(self, signals, inputs):
            bent = signals + 0.2 * signals**2 - 4 * signals**3
            return super().play_and_record(bent, inputs)

    room = Bent(paths, drift_ppm=40, noise_rms=noise_rms, seed=1, loopback=(5, 2))
    packing = pack(requests, ROOM)
    together = capture_together(room, packing, ROOM)
    for captured in together:
        take = captured.take
        number = captured.request.interface_output
        alone = capture_take(room, captured.request).take
        assert take.verdict.grade == "good", take.verdict
        # The third order takes 3/4 of 4 A^2, 3 %, from the fundamental at A = 0.1.
        packed_db = error_db(take, 0.97 * paths[number], 0)
        alone_db = error_db(alone, 0.97 * paths[number], 0)
        # What is left in both is the cube of the sampled sweep folding back above 8 kHz.
        assert alone_db < -50
        assert packed_db <= alone_db + 3
        assert residue_db(take, alone) < -75


def residue_db(one, two):
    """Largest sample of the difference of two responses, of the largest sample, in dB.

    Over the stretch that both keep whole, and away from the lower edge of the
    band, where packed takes are cut more steeply.
    """
    times = one.impulse_response.times_s
    kept = raised_cosine((times + 0.05) / 0.03) * raised_cosine((0.42 - times) / 0.1)
    samples = np.stack([take.impulse_response.samples * kept for take in (one, two)])
    frequencies = scipy.fft.rfftfreq(samples.shape[1], 1 / RATE)
    low = one.stimulus.valid_band_hz[0]
    spectrum = scipy.fft.rfft(samples) * raised_cosine((frequencies / low - 1.2) / 0.5)
    first, second = scipy.fft.irfft(spectrum, samples.shape[1])
    return 20 * math.log10(np.abs(first - second).max() / np.abs(second).max())


def test_fast_capture_packs_what_is_safe_and_makes_the_rest_alone(small_room, room_response):
    requests = [request(n, (100, 16000), 4) for n in range(1, 5)]
    requests[1] = replace(requests[1], by_hand=True, instruction="Switch.")
    paths = {n: room_response(n, delay_s=0.004, band_hz=(120, 14000)) for n in range(1, 5)}
    room = small_room(paths, noise_rms=2e-5, seed=1)
    asked = []
    captured = capture_fast(room, requests, Room(0.3), before_by_hand=asked.append)
    assert [item.take.source for item in captured] == [r.source for r in requests]
    assert all(item.take.verdict.grade == "good" for item in captured)
    assert [r.source for r in asked] == ["output 2"]
    assert len(room.played) == 2
    assert captured[0].recording is captured[3].recording
    assert captured[1].take.harmonics
    assert not captured[0].take.harmonics


def test_fast_capture_makes_spoiled_takes_again_alone(small_room, room_response):
    requests = [request(n, (100, 16000), 4) for n in (1, 2, 3)]
    paths = {n: room_response(n, delay_s=0.004, band_hz=(120, 14000)) for n in (1, 2, 3)}
    room = small_room(paths, noise_rms=2e-5, seed=1)
    room.spoil = lambda samples: samples * (np.nan if len(room.played) == 1 else 1)
    captured = capture_fast(room, requests, Room(0.3))
    assert len(room.played) == 4
    assert all(item.take.verdict.grade == "good" for item in captured)
