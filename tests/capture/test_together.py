"""Takes of overlapping sweeps: as good as those made alone, and judged as strictly."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.fft

from roomtune.capture.expected_room import CAUTIOUS_ROOM, even_room, expected_room, octave_decays_s
from roomtune.capture.measure import capture_take
from roomtune.capture.overlap import pack
from roomtune.capture.packed_signals import passage
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.capture.together import capture_passage, capture_seat, plan_seat
from roomtune.capture.ways import Learner, foreseen, told
from roomtune.signal.sweeps import Sweep, raised_cosine

RATE = 48000
BAND_HZ = (100, 16000)
ROOM = even_room(0.4)


def request(number, duration_s=3.0, kind="acoustic", **settings):
    references = {
        "acoustic": Reference("acoustic", Marker(1500, 8000, 0.1, -20.0), 1),
        "loopback": Reference("loopback", Marker(1500, 8000, 0.1, -20.0), 20, 2),
        "none": Reference("none"),
    }
    return TakeRequest(
        source=f"output {number}",
        kind="output",
        seat="middle",
        interface_output=number,
        sweep=Sweep(*BAND_HZ, duration_s, RATE),
        level_dbfs=-20.0,
        reference=references[kind],
        settings=CaptureSettings(sweep_duration_s=duration_s, **settings),
    )


@pytest.fixture(scope="module")
def paths(room_response):
    """Responses of twelve outputs with a decay of 0.4 s."""
    return {
        n: room_response(n, delay_s=0.004, band_hz=(120, 14000), length_s=0.6) for n in range(1, 13)
    }


def bending(small_room):
    """A room whose loudspeakers add orders 2 and 3 at -40 dB of a tone at the level played.

    The cube is that of the sound up to a sixth of the rate: sampled sweeps fold otherwise.
    """

    class Bent(small_room):
        def play_and_record(self, signals, inputs):
            length = scipy.fft.next_fast_len(len(signals), real=True)
            spectrum = scipy.fft.rfft(signals, length, axis=0)
            places = np.arange(len(spectrum)) / length
            spectrum *= raised_cosine((1 / 6 - places) / 0.05)[:, None]
            low = scipy.fft.irfft(spectrum, length, axis=0)[: len(signals)]
            # 0.2 a^2 / 2 and 4 a^3 / 4 are a hundredth of a = 0.1.
            low[:, 19:] = 0  # a loopback is a wire
            return super().play_and_record(signals + 0.2 * low**2 + 4 * low**3, inputs)

    return Bent


def error_db(take, truth, gain=1.03):
    """Energy of the error against the truth in the valid band, up to 5 kHz.

    The gain that the third order adds to the fundamental (3 % at 0.1) is taken out.
    """
    length = 2**17
    frequencies = scipy.fft.rfftfreq(length, 1 / RATE)
    low, _ = take.stimulus.valid_band_hz
    inside = (frequencies >= low * 1.2) & (frequencies <= 5000)
    got = take.impulse_response.response(length).values[inside]
    expected = gain * scipy.fft.rfft(truth, length)[inside]
    return 10 * math.log10(np.sum(np.abs(got - expected) ** 2) / np.sum(np.abs(expected) ** 2))


def residue_db(one, two):
    """Largest sample of the difference of two responses, of the largest sample."""
    times = one.impulse_response.times_s
    kept = raised_cosine((times + 0.05) / 0.03) * raised_cosine((0.6 - times) / 0.1)
    samples = np.stack([take.impulse_response.samples * kept for take in (one, two)])
    frequencies = scipy.fft.rfftfreq(samples.shape[1], 1 / RATE)
    low = one.stimulus.valid_band_hz[0]
    spectrum = scipy.fft.rfft(samples) * raised_cosine((frequencies / low - 1.2) / 0.5)
    first, second = scipy.fft.irfft(spectrum, samples.shape[1])
    return 20 * math.log10(np.abs(first - second).max() / np.abs(second).max())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("duration_s", "quiet_db", "noise_rms"), [(3.0, 79.0, 2e-5), (6.0, 88.0, 1e-9)]
)
def test_overlapped_responses_are_as_good_as_sequential_ones(
    small_room, paths, duration_s, quiet_db, noise_rms
):
    # Wanted: at most a quarter of the time, at most 3 dB above the error of takes made
    # alone, and no residue of a neighbour above -70 dB. With noise 80 dB under the sweep
    # the usual allowance for decays is enough; without any, they have to be let
    # fade further, for which sweeps of 6 s leave the time.
    requests = [
        request(n, duration_s, kind="loopback", tail_s=0.6) for n in range(1, len(paths) + 1)
    ]
    room = bending(small_room)(paths, drift_ppm=40, noise_rms=noise_rms, seed=1, loopback=(20, 2))
    expected = replace(ROOM, quiet_db=quiet_db)
    whole = passage(pack(requests, expected), expected)
    takes = [item.take for item in capture_passage(room, whole)]
    assert all(take.verdict.grade == "good" for take in takes), [t.verdict for t in takes]
    errors, residues = [], []
    for number in (6, 11):
        together, truth = takes[number - 1], paths[number]
        alone = capture_take(room, whole.requests[number - 1]).take
        errors.append((error_db(together, truth), error_db(alone, truth)))
        residues.append(residue_db(together, alone))
    print(
        f"{len(takes)} outputs, sweeps of {duration_s:g} s, noise {noise_rms:g}: error "
        f"{max(e for e, _ in errors):.1f} dB together, {max(e for _, e in errors):.1f} dB alone, "
        f"worst difference {max(a - b for a, b in errors):+.1f} dB; residue {max(residues):.1f} dB"
    )
    assert all(together <= single + 3 for together, single in errors)
    assert max(residues) < -70


def test_decay_and_level_of_a_room_are_learned_from_takes(small_room, paths):
    room = small_room(paths, noise_rms=2e-5, seed=1)
    takes = [capture_take(room, request(n)).take for n in (1, 2)]
    decays = octave_decays_s(takes[0])
    known = np.isfinite(decays)
    # The tail of the test's room decays by 60 dB in 0.4 s; a single take scatters.
    assert known.sum() >= 5
    np.testing.assert_allclose(decays[known], 0.4, atol=0.1)
    learned = expected_room(takes)
    assert 0.4 <= learned.decay_above_s(200) < 0.6
    assert learned.surplus_db(("output 1", -20), ("output 2", -30), (200, 8000)) == pytest.approx(
        10, abs=1.5
    )
    assert expected_room([]) == CAUTIOUS_ROOM


def bang(samples, at_s, length_s=0.02, level=0.05):
    begin = round(at_s * RATE)
    count = round(length_s * RATE)
    noise = np.random.default_rng(3).standard_normal(count) * np.hanning(count)
    spoilt = samples.copy()
    spoilt[begin : begin + count, 0] += level * noise
    return spoilt


def test_a_bang_spoils_only_what_it_hits_and_only_that_is_made_again(small_room, paths):
    requests = [request(n, 2.0) for n in range(1, 7)]
    room = small_room(paths, noise_rms=2e-5, seed=1, latency_s=(0.3, 0.3))
    room.spoil = lambda samples: bang(samples, 4.0) if len(room.played) == 1 else samples
    attempts = []
    made = capture_seat(room, requests, ROOM, on_captured=attempts.append)
    assert [item.take.verdict.grade for item in made] == ["good"] * 6
    first = attempts[:6]
    hit = {a.take.source for a in first if a.take.verdict.grade != "good"}
    assert all(f.code == "impulsive noise" for a in first for f in a.take.verdict.findings), [
        a.take.verdict for a in first
    ]
    packing = plan_seat(requests, ROOM).together
    played_s = 4.0 - 0.3 - packing.plan.sweep_s
    sounding = {
        p.request.source
        for p in packing.packing.places
        if p.begin_s - 0.1 < played_s < p.end_s + 0.6
    }
    assert hit
    assert hit <= sounding < {r.source for r in requests}
    assert {a.take.source for a in attempts[6:]} == hit


def test_a_block_that_was_not_played_is_noticed_in_what_sounded_then(small_room, paths):
    class Interrupted(small_room):
        def play_and_record(self, signals, inputs):
            kept = signals.copy()
            if not self.played:
                kept[round(5.0 * RATE) :][:512] = 0
            return super().play_and_record(kept, inputs)

    requests = [request(n, 2.0) for n in range(1, 6)]
    room = Interrupted(paths, noise_rms=2e-5, seed=1)
    attempts = []
    made = capture_seat(room, requests, ROOM, on_captured=attempts.append)
    assert [item.take.verdict.grade for item in made] == ["good"] * 5
    whole = plan_seat(requests, ROOM).together
    played_s = 5.0 - whole.plan.sweep_s
    hit = {a.take.source for a in attempts[:5] if a.take.verdict.grade == "repeat"}
    well_inside, sounding_or_decaying = (
        {
            place.request.source
            for place in whole.packing.places
            if place.begin_s + edge_s < played_s < place.end_s - edge_s
        }
        for edge_s in (0.5, -0.6)
    )
    assert well_inside
    assert well_inside <= hit <= sounding_or_decaying < {request.source for request in requests}
    assert {f.code for a in attempts[:5] for f in a.take.verdict.findings} == {"impulsive noise"}


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda samples: np.clip(samples * 40, -1, 1), "clipping"),
        (lambda samples: np.delete(samples, slice(300000, 300480), axis=0), "lost samples"),
        (lambda samples: samples * np.nan, "not finite"),
        (
            lambda samples: samples * np.where(np.arange(len(samples)) > 300000, 2, 1)[:, None],
            "level jumped",
        ),
    ],
)
def test_what_spoils_the_passage_is_named_and_it_is_made_again(small_room, paths, spoil, code):
    requests = [request(n, 2.0) for n in range(1, 5)]
    room = small_room(paths, noise_rms=2e-5, seed=1)
    room.spoil = lambda samples: spoil(samples) if len(room.played) == 1 else samples
    attempts = []
    made = capture_seat(room, requests, ROOM, on_captured=attempts.append)
    assert [item.take.verdict.grade for item in made] == ["good"] * 4
    codes = [{f.code for f in a.take.verdict.findings} for a in attempts[:4]]
    assert all(code in found for found in codes), codes
    assert len(room.played) == 2
    assert made[0].recording is made[3].recording


def test_a_dead_output_and_two_on_one_driver_are_told(small_room, paths):
    wired = {**paths, 3: paths[2], 4: paths[4] * 0}
    room = small_room(wired, noise_rms=2e-5, seed=1)
    requests = [request(n, 2.0, maximum_attempts=2) for n in range(1, 6)]
    made = capture_seat(room, requests, ROOM)
    codes = [{f.code for f in item.take.verdict.findings} for item in made]
    assert codes[3] == {"no sweep"}
    assert "wrong output" in codes[1] | codes[2]
    assert not codes[0] | codes[4]


def test_a_livelier_room_than_assumed_is_found_out_and_measured_alone(small_room, room_response):
    slow = {n: room_response(n, delay_s=0.004, decay_s=0.7, length_s=0.9) for n in (1, 2, 3, 4)}
    room = small_room(slow, noise_rms=1e-6, seed=1)
    attempts = []
    made = capture_seat(room, [request(n) for n in range(1, 5)], ROOM, on_captured=attempts.append)
    codes = [{f.code for f in attempt.take.verdict.findings} for attempt in attempts[:4]]
    assert all("decay longer than expected" in found for found in codes)
    assert len(room.played) == 5
    assert all(item.take.verdict.grade == "good" for item in made)


def test_what_needs_a_hand_or_has_no_time_is_made_alone_and_said(small_room, paths):
    requests = [request(n) for n in range(1, 6)]
    requests[1] = replace(requests[1], by_hand=True, instruction="Switch.")
    requests[2] = replace(requests[2], reference=Reference("none"))
    room = small_room(paths, noise_rms=2e-5, seed=1)
    plan = plan_seat(requests, ROOM)
    assert [r.source for r in plan.alone] == ["output 2", "output 3"]
    assert "switched by hand: output 2" in plan.reasons[0]
    assert "no time reference: output 3" in plan.reasons[1]
    asked, begun = [], []
    made = capture_seat(
        room,
        requests,
        ROOM,
        on_progress=lambda r, n: begun.append(r.source),
        before_by_hand=asked.append,
    )
    assert [item.take.source for item in made] == [r.source for r in requests]
    assert [r.source for r in asked] == ["output 2"]
    assert len(room.played) == 3
    assert sorted(begun) == sorted(r.source for r in requests)
    played_s = sum(len(signals) for signals in room.played) / RATE
    assert played_s == pytest.approx(plan.time_s, abs=1e-3)


def test_repeats_of_a_passage_are_averaged(small_room, paths):
    room = small_room(paths, noise_rms=1e-3, seed=1, loopback=(20, 2))
    requests = [request(n, 2.0, kind="loopback") for n in (1, 2, 3)]
    once = capture_seat(room, requests, ROOM)
    four = capture_seat(
        room, [replace(r, settings=replace(r.settings, repeats=4)) for r in requests], ROOM
    )
    for single, mean in zip(once, four, strict=True):
        n = single.request.interface_output
        gain = error_db(single.take, paths[n], 1) - error_db(mean.take, paths[n], 1)
        assert gain == pytest.approx(6.0, abs=2.0)


def test_a_round_learns_at_the_first_seat_and_foresees_its_time(small_room, paths):
    room = small_room(paths, noise_rms=2e-5, seed=1)
    first, second = (
        [replace(request(n), seat=seat) for n in range(1, 5)] for seat in ("one", "two")
    )
    learner = Learner("learning")
    plans = foreseen([*first, *second], learner)
    assert plans[0].together is None
    assert plans[1].together is not None
    assert "at 1 of 2 seats" in told(plans)[0]
    assert "Up to" in told(plans)[1]
    learner.capture(room, first)
    assert len(room.played) == 4
    learned = learner.plan(second)
    assert learned.time_s < plans[1].time_s
    learner.capture(room, second)
    assert len(room.played) == 5
    assert Learner("one by one").plan(second).together is None
    assert told([Learner("one by one").plan(second)]) == ()
    resumed = Learner("learning", learner.known)
    assert resumed.packs(second)
