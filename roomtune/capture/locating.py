"""Where the sweeps of a played sequence lie in a long recording.

The start is unknown, the recorder's clock may run a little fast or slow, and
somebody may have paused or begun twice. Every sweep's inverse filter is run over
the whole recording: where the sweep was played, its energy is drawn together.
Among all such moments, those are taken that fit the sequence best.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.sweeps import Sweep, sweep_signal

BIN_S = 0.005
BEFORE_S, AFTER_S = 0.01, 0.05
LEAST_SHARE = 0.2
ALONE_S = 0.5
FLOOR = 0.01
FAINTEST = 1e-3
BLOCK_S = 20.0

TOLERANCE_S = 0.05
FASTEST_DRIFT = 3e-4
IN_STEP, PAUSED = 1.0, -0.6


@dataclass(frozen=True)
class Answer:
    """A moment (s) at which a sweep seems to begin.

    `share`: how much of the energy around, over the length of the sweep, its
    inverse filter drew together into 60 ms: 0.4 and more for a sweep played in a
    room, up to 0.45 for one of another band that overlaps, 60 ms over the length of
    the sweep for anything else.
    """

    time_s: float
    share: float


def find_sweep(samples: NDArray[np.floating], sweep: Sweep) -> tuple[Answer, ...]:
    """Return every moment at which a recording (m,) seems to hold the sweep, in order.

    The recording is at the sweep's sample rate. Exact to about 10 ms. Sweeps more
    than 30 dB fainter than the loudest are not found.
    """
    from scipy.ndimage import maximum_filter1d

    if samples.size < sweep.sample_count:
        return ()
    energy = _filtered_energy(samples, sweep)
    sums = np.concatenate([[0.0], np.cumsum(energy)])
    bins = np.arange(energy.size)
    near = _between(sums, bins - round(BEFORE_S / BIN_S), bins + round(AFTER_S / BIN_S))
    half = round(sweep.true_duration_s / 2 / BIN_S)
    around = _between(sums, bins - half, bins + half)
    share = near / (around + FAINTEST * near.max() + 1e-300)
    highest = maximum_filter1d(near, 2 * round(ALONE_S / BIN_S) + 1)
    places = np.flatnonzero((share > LEAST_SHARE) & (near == highest))
    return tuple(Answer(float(place * BIN_S), float(share[place])) for place in places)


def _between(
    sums: NDArray[np.float64], begin: NDArray[np.int_], end: NDArray[np.int_]
) -> NDArray[np.float64]:
    """Sum of bins begin to end, from running sums."""
    last = sums.size - 1
    return sums[np.clip(end, 0, last)] - sums[np.clip(begin, 0, last)]


def _filtered_energy(samples: NDArray[np.floating], sweep: Sweep) -> NDArray[np.float64]:
    """Energy per 5 ms of the recording through the sweep's inverse filter."""
    hop = round(sweep.sample_rate_hz * BIN_S)
    count = -(-samples.size // hop)
    blocks = [
        np.sum(block.reshape(-1, hop) ** 2, axis=1) for block in _filtered(samples, sweep, hop)
    ]
    return np.concatenate(blocks)[:count]


def _filtered(
    samples: NDArray[np.floating], sweep: Sweep, hop: int
) -> Iterator[NDArray[np.float64]]:
    """The recording through the regularised inverse, in blocks (overlap-save)."""
    import scipy.fft

    template = sweep_signal(sweep)
    useful = round(BLOCK_S * sweep.sample_rate_hz / hop) * hop
    length = scipy.fft.next_fast_len(useful + template.size, real=True)
    spectrum = scipy.fft.rfft(template, length)
    energy = np.abs(spectrum) ** 2
    inverse = np.conj(spectrum) / (energy + FLOOR * energy.max())
    for begin in range(0, samples.size, useful):
        stretch = samples[begin : begin + useful + template.size].astype(np.float64)
        yield scipy.fft.irfft(scipy.fft.rfft(stretch, length) * inverse, length)[:useful]


def place_sweeps(
    answers: Sequence[Sequence[Answer]], starts_s: Sequence[float]
) -> tuple[float | None, ...]:
    """Return when each sweep of a sequence begins in the recording, None if it is not there.

    `answers`: what `find_sweep` found for each sweep of the sequence; `starts_s`:
    when the sequence plays them, rising. Chooses the moments, in order and never
    closer than played, that count most: twice its share for each, one more if it
    follows its predecessor in step, 0.6 less if it came late (a pause).
    """
    times = [np.array([answer.time_s for answer in found]) for found in answers]
    scores: list[NDArray[np.float64]] = []
    origins: list[list[tuple[int, int] | None]] = []
    for index, found in enumerate(answers):
        score = np.array([2 * answer.share for answer in found])
        gained, origin = _best_predecessor(times, scores, starts_s, index)
        scores.append(score + gained)
        origins.append(origin)
    return _traced_back(times, scores, origins)


def _best_predecessor(
    times: Sequence[NDArray[np.float64]],
    scores: Sequence[NDArray[np.float64]],
    starts_s: Sequence[float],
    index: int,
) -> tuple[NDArray[np.float64], list[tuple[int, int] | None]]:
    """For each moment of a sweep, the most that those before it add, and where from."""
    here = times[index]
    gained = np.zeros(here.size)
    origin: list[tuple[int, int] | None] = [None] * here.size
    for earlier in range(index):
        if not times[earlier].size:
            continue
        planned_s = starts_s[index] - starts_s[earlier]
        late_s = here[None, :] - times[earlier][:, None] - planned_s
        step = _step(late_s, planned_s)
        total = scores[earlier][:, None] + step
        best = np.argmax(total, axis=0)
        for place in np.flatnonzero(total[best, np.arange(here.size)] > gained):
            gained[place] = total[best[place], place]
            origin[place] = (earlier, int(best[place]))
    return gained, origin


def _step(late_s: NDArray[np.float64], planned_s: float) -> NDArray[np.float64]:
    """What it counts that a sweep comes so much later than planned after another."""
    tolerance_s = TOLERANCE_S + FASTEST_DRIFT * planned_s
    late = np.where(late_s > tolerance_s, PAUSED, IN_STEP)
    return np.where(late_s < -tolerance_s, -np.inf, late)


def _traced_back(
    times: Sequence[NDArray[np.float64]],
    scores: Sequence[NDArray[np.float64]],
    origins: Sequence[Sequence[tuple[int, int] | None]],
) -> tuple[float | None, ...]:
    places: list[float | None] = [None] * len(times)
    ends = [
        (float(score.max()), index, int(np.argmax(score)))
        for index, score in enumerate(scores)
        if score.size
    ]
    if ends:
        _, index, place = max(ends)
        link: tuple[int, int] | None = (index, place)
        while link is not None:
            index, place = link
            places[index] = float(times[index][place])
            link = origins[index][place]
    return tuple(places)


def in_doubt(
    places: Sequence[float | None], starts_s: Sequence[float], sweeps: Sequence[Sweep]
) -> tuple[bool, ...]:
    """Tell which placed sweeps might as well be others of the same kind.

    The order settles which is which when all are there. When some are missing, only
    the differing pauses do: those placed in step with one another are in doubt when
    they fit equal sweeps further up or down, one of them missing, just as well.
    """
    count = len(places)
    doubts = [False] * count
    for index in (k for k in range(count) if places[k] is not None):
        group = [k for k in range(count) if _in_step(index, k, places, starts_s)]
        for shift in range(-group[0], count - group[-1]):
            others = [k + shift for k in group]
            if shift and _alike(group, others, places, starts_s, sweeps):
                doubts[index] = True
    return tuple(doubts)


def _in_step(
    one: int, other: int, places: Sequence[float | None], starts_s: Sequence[float]
) -> bool:
    """Whether two placed sweeps follow one another as planned."""
    begin, end = places[one], places[other]
    if begin is None or end is None:
        return False
    return _same_step(end - begin, starts_s[other] - starts_s[one])


def _alike(
    group: Sequence[int],
    others: Sequence[int],
    places: Sequence[float | None],
    starts_s: Sequence[float],
    sweeps: Sequence[Sweep],
) -> bool:
    """Whether other sweeps of the sequence, some not placed, look just like a group."""
    return (
        any(places[k] is None for k in others)
        and all(sweeps[k] == sweeps[o] for k, o in zip(group, others, strict=True))
        and all(
            _same_step(starts_s[o] - starts_s[others[0]], starts_s[k] - starts_s[group[0]])
            for k, o in zip(group, others, strict=True)
        )
    )


def _same_step(step_s: float, planned_s: float) -> bool:
    return abs(step_s - planned_s) <= TOLERANCE_S + FASTEST_DRIFT * abs(planned_s)
