"""Where the sweeps of a played sequence lie in a long recording.

The start is unknown, the recorder's clock may run a little fast or slow, and
somebody may have paused or begun twice. Every sweep's inverse filter is run over
the whole recording; the sequence is laid where most sweeps answer at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.sweeps import Sweep, sweep_signal

TRACE_RATE_HZ = 200
REACH_S = 0.06
SLACK_S = 0.2
ALONE_S = 0.5
ANSWER = 6.0
FLOOR = 0.01
BLOCK_S = 20.0


def sweep_trace(samples: NDArray[np.floating], sweep: Sweep) -> NDArray[np.float64]:
    """Return how strongly a recording (m,) answers to a sweep beginning at each moment.

    One value per 1/200 s: the largest magnitude of the recording through the
    sweep's regularised inverse, in units of its median over the recording. The
    recording is at the sweep's sample rate. Silence everywhere gives zeros.
    """
    hop = round(sweep.sample_rate_hz / TRACE_RATE_HZ)
    count = -(-samples.size // hop)
    peaks = np.concatenate([block.max(axis=1) for block in _answers(samples, sweep, hop)])[:count]
    sounding = peaks[peaks > 1e-9 * peaks.max(initial=0.0)]
    if not sounding.size:
        return np.zeros(count)
    return peaks / float(np.median(sounding))


def _answers(
    samples: NDArray[np.floating], sweep: Sweep, hop: int
) -> Iterator[NDArray[np.float64]]:
    """Magnitudes of the filtered recording by overlap-save, blocks of (k, hop)."""
    import scipy.fft

    template = sweep_signal(sweep)
    useful = round(BLOCK_S * sweep.sample_rate_hz / hop) * hop
    length = scipy.fft.next_fast_len(useful + template.size, real=True)
    spectrum = scipy.fft.rfft(template, length)
    energy = np.abs(spectrum) ** 2
    inverse = np.conj(spectrum) / (energy + FLOOR * energy.max())
    for begin in range(0, samples.size, useful):
        stretch = samples[begin : begin + useful + template.size].astype(np.float64)
        answer = scipy.fft.irfft(scipy.fft.rfft(stretch, length) * inverse, length)[:useful]
        yield np.abs(answer).reshape(-1, hop)


def place_sweeps(
    traces: Sequence[NDArray[np.float64]], starts_s: Sequence[float]
) -> tuple[float | None, ...]:
    """Return when each sweep of a sequence begins in the recording, None if it is not there.

    `traces`: `sweep_trace` of each sweep over the same recording; `starts_s`: when
    the sequence plays them, rising. The whole sequence is laid where most sweeps
    answer; those that do not answer there are laid again, in order, between their
    neighbours (a pause, or a false start before). Exact to about 5 ms.
    """
    places: list[float | None] = [None] * len(starts_s)
    answers = [_answers_only(trace) for trace in traces]
    reached = [_widened(answer) for answer in answers]
    while None in places:
        missing = [index for index, place in enumerate(places) if place is None]
        shift = _best_shift(reached, starts_s, places, missing)
        if shift is None:
            break
        for index in missing:
            place = _answer_near(answers[index], starts_s[index] + shift)
            earliest, latest = _possible(index, places, starts_s)
            if place is not None and earliest < place < latest:
                places[index] = place
        if missing == [index for index, place in enumerate(places) if place is None]:
            break
    return tuple(places)


def _answers_only(trace: NDArray[np.float64]) -> NDArray[np.float64]:
    """The trace where it stands clearly out and highest for half a second around, else 0."""
    from scipy.ndimage import maximum_filter1d

    highest = maximum_filter1d(trace, 2 * round(ALONE_S * TRACE_RATE_HZ) + 1)
    return np.where((trace > ANSWER) & (trace == highest), trace, 0.0)


def _widened(trace: NDArray[np.float64]) -> NDArray[np.float64]:
    """The largest value within `REACH_S`, for clocks that drift and rooms that delay."""
    from scipy.ndimage import maximum_filter1d

    widened: NDArray[np.float64] = maximum_filter1d(trace, 2 * round(REACH_S * TRACE_RATE_HZ) + 1)
    return widened


def _best_shift(
    reached: Sequence[NDArray[np.float64]],
    starts_s: Sequence[float],
    places: Sequence[float | None],
    missing: Sequence[int],
) -> float | None:
    """The shift (s) between playing and recording at which most missing sweeps answer.

    Every answer counts one, and a little more the clearer it is.
    """
    longest = round((max(starts_s) + 1) * TRACE_RATE_HZ)
    votes = np.zeros(longest + max(trace.size for trace in reached))
    for index in missing:
        trace = reached[index]
        times_s = np.arange(trace.size) / TRACE_RATE_HZ
        earliest, latest = _possible(index, places, starts_s)
        heard = (trace > 0) & (times_s > earliest) & (times_s < latest)
        clarity = np.minimum(np.log10(np.maximum(trace, 1.0)), 4.0)
        begin = longest - round(starts_s[index] * TRACE_RATE_HZ)
        votes[begin : begin + trace.size] += heard * (1 + 0.02 * clarity)
    if votes.max() < 1:
        return None
    best = np.flatnonzero(votes > votes.max() - 1e-9)
    return float((best[best.size // 2] - longest) / TRACE_RATE_HZ)


def _possible(
    index: int, places: Sequence[float | None], starts_s: Sequence[float]
) -> tuple[float, float]:
    """When a sweep can begin: not nearer to those placed than the sequence plays it."""
    earliest, latest = -np.inf, np.inf
    for other, place in enumerate(places):
        if place is None:
            continue
        planned = place + starts_s[index] - starts_s[other]
        if other < index:
            earliest = max(earliest, planned - SLACK_S)
        else:
            latest = min(latest, planned + SLACK_S)
    return earliest, latest


def _answer_near(trace: NDArray[np.float64], time_s: float) -> float | None:
    """The moment of the strongest answer (see `_answers_only`) near a time, if any."""
    reach = 2 * round(REACH_S * TRACE_RATE_HZ)
    begin = max(round(time_s * TRACE_RATE_HZ) - reach, 0)
    near = trace[begin : begin + 2 * reach + 1]
    if not near.size or near.max() == 0:
        return None
    return float((begin + int(np.argmax(near))) / TRACE_RATE_HZ)
