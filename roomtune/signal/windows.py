"""Time windows on impulse responses, fixed and frequency-dependent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.values import FrequencyResponse, ImpulseResponse


def cosine_fade(count: int) -> NDArray[np.float64]:
    """Half a raised cosine rising from near 0 to near 1 in `count` samples."""
    return 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / max(count, 1))


def windowed(
    response: ImpulseResponse,
    start_s: float,
    stop_s: float,
    fade_in_s: float = 0.0,
    fade_out_s: float = 0.0,
) -> ImpulseResponse:
    """Return the response with all outside [start_s, stop_s] faded to zero.

    Times are on the response's own axis. The fades (raised cosine) lie inside
    the limits; the length of the time axis stays. Raises ValueError when the
    fades do not fit.
    """
    if not start_s < stop_s or fade_in_s + fade_out_s > stop_s - start_s + 1e-12:
        raise ValueError(f"fades do not fit a window from {start_s} to {stop_s} s")
    times = response.times_s
    rise = _ramp(times - start_s, fade_in_s)
    fall = _ramp(stop_s - times, fade_out_s)
    return replace(response, samples=response.samples * rise * fall)


def cropped(response: ImpulseResponse, start_s: float, stop_s: float) -> ImpulseResponse:
    """Return the whole samples within [start_s, stop_s], on a shorter time axis.

    Where the limits lie outside the response it is filled up with zeros. Raises ValueError when no
    sample lies there.
    """
    rate = response.sample_rate_hz
    first = int(np.ceil(np.round((start_s - response.start_s) * rate, 6)))
    last = int(np.floor(np.round((stop_s - response.start_s) * rate, 6)))
    if last < first:
        raise ValueError(f"no sample lies between {start_s} and {stop_s} s")
    length = response.samples.shape[-1]
    kept = response.samples[..., max(first, 0) : max(last + 1, 0)]
    before = min(max(-first, 0), last + 1 - first)
    after = last + 1 - first - before - kept.shape[-1]
    if first >= length:
        before, after = 0, last + 1 - first
    padding = [(0, 0)] * (kept.ndim - 1) + [(before, after)]
    return replace(response, samples=np.pad(kept, padding), start_s=response.start_s + first / rate)


def lowest_valid_hz(window_s: float) -> float:
    """Lowest frequency that a window of that length resolves: one full cycle."""
    return 1.0 / window_s


def frequency_dependent_window(
    response: ImpulseResponse,
    frequencies_hz: ArrayLike,
    cycles: float,
    reference_s: ArrayLike,
    longest_s: float | None = None,
) -> FrequencyResponse:
    """Spectrum (..., k) seen through a window of a constant number of cycles.

    At each frequency f the response is weighted with a raised-cosine window
    that is 1 at `reference_s` (broadcast over the leading axes) and reaches 0
    at `cycles` / f after it (and a quarter of that before it), at most
    `longest_s`. Short windows look at the direct sound, long ones let the room
    in. Raises ValueError for cycles that are not positive.
    """
    if not cycles > 0:
        raise ValueError(f"a window needs a positive number of cycles, got {cycles}")
    frequencies = np.asarray(frequencies_hz, dtype=float)
    leading = response.samples.shape[:-1]
    references = np.broadcast_to(np.asarray(reference_s, dtype=float), leading)
    if np.all(references == references.ravel()[:1]):
        values = _seen(response, frequencies, cycles, float(references.ravel()[0]), longest_s)
    else:
        rows = response.samples.reshape(-1, response.samples.shape[-1])
        seen = [
            _seen(replace(response, samples=row), frequencies, cycles, float(time_s), longest_s)
            for row, time_s in zip(rows, references.ravel(), strict=True)
        ]
        values = np.reshape(seen, (*leading, len(frequencies)))
    return FrequencyResponse(frequencies, values)


def _seen(
    response: ImpulseResponse,
    frequencies: NDArray[np.float64],
    cycles: float,
    reference_s: float,
    longest_s: float | None,
) -> NDArray[np.complex128]:
    """Values (..., k) through windows about one common reference time."""
    times = response.times_s
    values = np.empty((*response.samples.shape[:-1], len(frequencies)), dtype=complex)
    for place, frequency in enumerate(frequencies):
        reach = min(cycles / frequency, longest_s or np.inf)
        inside = slice(*np.searchsorted(times, [reference_s - reach / 4, reference_s + reach]))
        after = times[inside] - reference_s
        distance = np.where(after < 0, -4 * after, after) / reach
        window = 0.5 + 0.5 * np.cos(np.pi * distance)
        turn = np.exp(-2j * np.pi * frequency * times[inside])
        values[..., place] = response.samples[..., inside] @ (window * turn)
    return values


def _ramp(distance_s: NDArray[np.float64], fade_s: float) -> NDArray[np.float64]:
    """0 below zero distance, 1 beyond `fade_s`, half a raised cosine between."""
    if fade_s <= 0:
        return (distance_s >= 0).astype(float)
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(distance_s / fade_s, 0, 1))
