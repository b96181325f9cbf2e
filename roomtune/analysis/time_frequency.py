"""Time and frequency together: spectral decay, spectrogram, wavelet view."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.values import ImpulseResponse
from roomtune.signal.windows import cosine_fade

_PIECE = 4096


@dataclass(frozen=True, eq=False)
class TimeFrequency:
    """Levels in dB over times_s (t,) and frequencies_hz (k,): level_db (..., t, k)."""

    times_s: NDArray[np.float64]
    frequencies_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]


def cumulative_spectral_decay(
    response: ImpulseResponse,
    frequencies_hz: ArrayLike,
    times_s: ArrayLike,
    rise_s: float = 0.2e-3,
) -> TimeFrequency:
    """Spectrum of what is left of the response from each time on.

    The left edge fades in over `rise_s` before each time (half a cosine); the
    right end is the end of the response. J. M. Berman, L. R. Fincham, JAES
    25(6), 370-384 (1977). What lies below 1 / (remaining length) is not
    resolved.
    """
    frequencies = np.asarray(frequencies_hz, dtype=float)
    times = np.atleast_1d(np.asarray(times_s, dtype=float))
    rate = response.sample_rate_hz
    firsts = np.round((times - response.start_s) * rate).astype(int)
    fade = cosine_fade(max(int(rise_s * rate), 1))
    stretch = min(_PIECE, response.samples.shape[-1])
    inner = np.exp(-2j * np.pi * np.arange(stretch)[:, None] / rate * frequencies)
    left = _left_from(response, np.maximum(firsts, 0), frequencies, inner)
    for row, first in enumerate(firsts):
        begin, end = max(first - len(fade), 0), min(first, response.samples.shape[-1])
        if begin < end:
            faded = (
                response.samples[..., begin:end] * fade[begin - first + len(fade) :][: end - begin]
            )
            start = np.exp(-2j * np.pi * (response.start_s + begin / rate) * frequencies)
            left[..., row, :] += faded @ inner[: end - begin] * start
    return TimeFrequency(times, frequencies, _db(np.abs(left) ** 2))


def fall_times_s(
    found: TimeFrequency, bands_hz: NDArray[np.float64], drop_db: float
) -> NDArray[np.float64]:
    """When the mean power of each band (b, 2) has fallen by `drop_db` for good, (..., b).

    In seconds on the time axis of `found`, interpolated between its times, from
    the band's highest level on; NaN where it does not fall so far or where no
    frequency lies in the band.
    """
    leading = found.level_db.shape[:-2]
    fallen = np.full((*leading, len(bands_hz)), np.nan)
    for place, (low, high) in enumerate(bands_hz):
        inside = (found.frequencies_hz >= low) & (found.frequencies_hz < high)
        if np.any(inside):
            level = _db(np.mean(10 ** (found.level_db[..., inside] / 10), axis=-1))
            rows = level.reshape(-1, len(found.times_s))
            times = [_fallen(found.times_s, row, drop_db) for row in rows]
            fallen[..., place] = np.reshape(times, leading)
    return fallen


def spectrogram(
    response: ImpulseResponse,
    window_s: float,
    step_s: float,
    frequencies_hz: ArrayLike,
) -> TimeFrequency:
    """Level through a Hann window of fixed length, moved in steps.

    Times are those of the window's middle; a sine of amplitude a reads
    20 lg a.
    """
    frequencies = np.asarray(frequencies_hz, dtype=float)
    rate = response.sample_rate_hz
    length = max(round(window_s * rate), 4)
    hop = max(round(step_s * rate), 1)
    window = np.hanning(length + 1)[:-1]
    scale = 2 / window.sum()
    starts = np.arange(0, max(response.samples.shape[-1] - length, 0) + 1, hop)
    inner = np.arange(length) / rate
    turns = np.exp(-2j * np.pi * inner[:, None] * frequencies) * window[:, None] * scale
    parts = np.stack([response.samples[..., s : s + length] for s in starts], axis=-2)
    times = response.start_s + (starts + length / 2) / rate
    return TimeFrequency(times, frequencies, _db(np.abs(parts @ turns) ** 2))


def wavelet_view(
    response: ImpulseResponse,
    frequencies_hz: ArrayLike,
    times_s: ArrayLike,
    cycles: float = 6.0,
) -> TimeFrequency:
    """Level through complex Morlet wavelets of a constant number of cycles.

    The Gaussian has a standard deviation of `cycles` / (2 pi f): long at low
    and short at high frequencies. Times are moved to the nearest sample. Scaled
    so that a sine of amplitude a reads 20 lg a.
    """
    frequencies = np.asarray(frequencies_hz, dtype=float)
    rate = response.sample_rate_hz
    places = np.round((np.atleast_1d(times_s) - response.start_s) * rate).astype(int)
    level = np.empty((*response.samples.shape[:-1], len(places), len(frequencies)))
    for column, frequency in enumerate(frequencies):
        deviation = cycles / (2 * np.pi * frequency)
        reach = int(5 * deviation * rate)
        near = np.arange(-reach, reach + 1) / rate
        wave = np.exp(-0.5 * (near / deviation) ** 2 - 2j * np.pi * frequency * near)
        wave *= 2 / (np.sqrt(2 * np.pi) * deviation * rate)
        stretches = _stretches(response.samples, places, reach)
        level[..., column] = _db((stretches @ wave.real) ** 2 + (stretches @ wave.imag) ** 2)
    return TimeFrequency(response.start_s + places / rate, frequencies, level)


def _stretches(
    samples: NDArray[np.float64], places: NDArray[np.int_], reach: int
) -> NDArray[np.float64]:
    """Samples (..., t, 2 reach + 1) about each place, zeros beyond the ends."""
    count = samples.shape[-1]
    before = max(reach - int(places.min()), 0)
    after = max(reach + int(places.max()) + 1 - count, 0)
    padded = np.pad(samples, [(0, 0)] * (samples.ndim - 1) + [(before, after)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=-1)
    return np.asarray(windows[..., places - reach + before, :])


def _left_from(
    response: ImpulseResponse,
    firsts: NDArray[np.int_],
    frequencies: NDArray[np.float64],
    inner: NDArray[np.complex128],
) -> NDArray[np.complex128]:
    """Spectra (..., t, k) of what follows each of the samples `firsts` (t,).

    Summed backwards, piece by piece, so that every sample is turned only once;
    inner (m, k): e^(-j w t) of the samples of a piece from its first one on.
    """
    count, longest = response.samples.shape[-1], len(inner)
    left = np.zeros((*response.samples.shape[:-1], len(firsts), len(frequencies)), dtype=complex)
    total = np.zeros((*response.samples.shape[:-1], len(frequencies)), dtype=complex)
    last = count
    for row in np.argsort(-firsts, kind="stable"):
        for stop in range(last, min(int(firsts[row]), count), -longest):
            begin = max(stop - longest, int(firsts[row]))
            start_s = response.start_s + begin / response.sample_rate_hz
            part = response.samples[..., begin:stop] @ inner[: stop - begin]
            total += part * np.exp(-2j * np.pi * start_s * frequencies)
        last = min(last, int(firsts[row]))
        left[..., row, :] = total
    return left


def _fallen(times: NDArray[np.float64], level: NDArray[np.float64], drop_db: float) -> float:
    limit = float(level.max()) - drop_db
    above = np.flatnonzero(level >= limit)
    last = int(above[-1])
    if last == len(level) - 1:
        return np.nan
    share = (level[last] - limit) / (level[last] - level[last + 1])
    return float(times[last] + share * (times[last + 1] - times[last]))


def _db(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return 10 * np.log10(np.maximum(power, 1e-300))
