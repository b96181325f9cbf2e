"""Finding sweeps in a long recording, and telling which is which."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.capture.locating import Answer, find_sweep, in_doubt, place_sweeps
from roomtune.signal.sweeps import Sweep, sweep_signal

RATE_HZ = 48000.0
FULL = Sweep(20.0, 20000.0, 1.0, RATE_HZ)
LOW = Sweep(20.0, 200.0, 1.0, RATE_HZ)
HIGH = Sweep(2000.0, 20000.0, 1.0, RATE_HZ)


def reverberant(sweep: Sweep, random: np.random.Generator) -> np.ndarray:
    """The sweep in a room of 0.6 s, direct to reverberant about -2 dB."""
    time_s = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ
    response = 0.03 * random.standard_normal(time_s.size) * 10 ** (-3 * time_s / 0.6)
    response[0] = 1
    length = sweep.sample_count + response.size
    return np.fft.irfft(np.fft.rfft(sweep_signal(sweep), length) * np.fft.rfft(response, length))


@pytest.mark.parametrize("sweep", [FULL, LOW, HIGH])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_sweeps_are_found_among_others_and_nothing_else_is(sweep, noise):
    random = np.random.default_rng(2)
    samples = noise * random.standard_normal(round(60 * RATE_HZ))
    begins_s = (3.0, 19.5, 41.25)  # the second lies astride two blocks of the filter
    others = [other for other in (FULL, LOW, HIGH) if other != sweep]
    for begin_s, played in [*((b, sweep) for b in begins_s), (10.0, others[0]), (30.0, others[1])]:
        sound = reverberant(played, random)
        begin = round(begin_s * RATE_HZ)
        samples[begin : begin + sound.size] += sound
    found = sorted(find_sweep(samples, sweep), key=lambda answer: -answer.share)
    assert sorted(a.time_s for a in found[:3]) == pytest.approx(begins_s, abs=0.011)
    assert found[2].share > 0.4
    assert all(answer.share < 0.8 * found[2].share for answer in found[3:])


def test_noise_and_silence_hold_no_sweep():
    noise = np.random.default_rng(3).standard_normal(round(40 * RATE_HZ))
    assert find_sweep(noise, FULL) == ()
    assert find_sweep(noise, LOW) == ()
    assert find_sweep(np.zeros(100_000), FULL) == ()
    assert find_sweep(noise[:100], FULL) == ()


def sequence(random: np.random.Generator) -> tuple[list[Sweep], np.ndarray]:
    """Sweeps of a playback and when they begin, with the pauses of the exchange."""
    count = int(random.integers(3, 12))
    kinds = [FULL] if random.random() < 0.5 else [FULL, LOW, HIGH]
    sweeps = [kinds[k] for k in random.integers(0, len(kinds), count)]
    steps = 5.3 + 0.2 * (np.arange(count - 1) ** 2 % 7)
    return sweeps, np.concatenate([[3.0], 3.0 + np.cumsum(steps)])


@pytest.mark.parametrize("seed", range(150))
def test_what_is_placed_is_placed_right(seed):
    """Pauses, missing ends, false starts, false answers: nothing is ever mixed up."""
    random = np.random.default_rng(seed)
    sweeps, starts_s = sequence(random)
    count = len(sweeps)
    begins_s = starts_s * (1 + random.uniform(-200e-6, 200e-6)) + random.uniform(-2, 30)
    present = np.ones(count, bool)
    story = ("plain", "paused", "begun late", "ended early", "begun twice")[seed % 5]
    if story == "paused":
        for place in random.choice(np.arange(1, count), 2):
            begins_s[place:] += random.uniform(0.4, 8)
    if story == "begun late":
        present[: random.integers(1, count)] = False
    if story == "ended early":
        present[random.integers(1, count) :] = False
    moments = [(sweeps[k], begins_s[k], random.uniform(0.4, 0.9)) for k in np.flatnonzero(present)]
    if story == "begun twice":
        again_s = starts_s[-1] + random.uniform(2, 5)
        moments += [
            (sweeps[k], begins_s[k] - again_s, 0.6) for k in range(random.integers(1, count - 1))
        ]
    others = random.integers(0, 3, 3)
    moments += [((FULL, LOW, HIGH)[k], random.uniform(0, 100), 0.29) for k in others]
    answers = {
        sweep: [
            Answer(moment + random.uniform(-0.01, 0.01), share)
            for kind, moment, share in sorted(moments, key=lambda item: item[1])
            if kind == sweep
        ]
        for sweep in (FULL, LOW, HIGH)
    }
    places = place_sweeps([answers[sweep] for sweep in sweeps], starts_s)
    doubts = in_doubt(places, starts_s, sweeps)
    for place, doubt, begin_s, there in zip(places, doubts, begins_s, present, strict=True):
        if place is not None and not doubt:
            assert there
            assert place == pytest.approx(begin_s, abs=0.011)
        if place is None and story in ("plain", "paused", "begun twice"):
            pytest.fail(f"a sweep that is there was not placed ({story})")


def test_equal_sweeps_fit_by_their_pauses_only():
    starts_s = (0.0, 5.0, 10.2, 16.0)
    sweeps = (FULL,) * 4
    assert in_doubt((None, 7.0, 12.2, None), starts_s, sweeps) == (False,) * 4
    assert in_doubt((None, 7.0, None, None), starts_s, sweeps) == (False, True, False, False)
    assert in_doubt((None, 7.0, 12.2, 18.0), starts_s, sweeps) == (False,) * 4
    assert in_doubt((None, 7.0, None, None), starts_s, (LOW, FULL, LOW, HIGH)) == (False,) * 4
    assert in_doubt((2.0, 7.0, 12.2, 18.0), (0.0, 5.0, 10.0, 15.0), sweeps) == (False,) * 4
    assert in_doubt((2.0, 7.0, None), (0.0, 5.0, 10.0), sweeps[:3]) == (True, True, False)
