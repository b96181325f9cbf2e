"""Time and frequency together: spectral decay, spectrogram, wavelet view."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.values import ImpulseResponse
from roomtune.signal.windows import cosine_fade


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
    turns = _turns(response, frequencies)
    rate = response.sample_rate_hz
    fade = cosine_fade(max(int(rise_s * rate), 1))
    levels = []
    for time_s in times:
        gate = np.zeros(response.samples.shape[-1])
        first = round((time_s - response.start_s) * rate)
        gate[max(first, 0) :] = 1.0
        ramp = np.arange(first - len(fade), first)
        inside = (ramp >= 0) & (ramp < len(gate))
        gate[ramp[inside]] = fade[inside]
        levels.append(_db(np.abs((response.samples * gate) @ turns) ** 2))
    return TimeFrequency(times, frequencies, np.stack(levels, axis=-2))


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
    and short at high frequencies. Scaled so that a sine of amplitude a reads
    20 lg a.
    """
    frequencies = np.asarray(frequencies_hz, dtype=float)
    times = np.atleast_1d(np.asarray(times_s, dtype=float))
    rate = response.sample_rate_hz
    axis = response.times_s
    level = np.empty((*response.samples.shape[:-1], len(times), len(frequencies)))
    for place, frequency in enumerate(frequencies):
        deviation = cycles / (2 * np.pi * frequency)
        scale = 2 / (np.sqrt(2 * np.pi) * deviation * rate)
        for row, time_s in enumerate(times):
            inside = slice(*np.searchsorted(axis, [time_s - 5 * deviation, time_s + 5 * deviation]))
            near = axis[inside] - time_s
            wave = scale * np.exp(-0.5 * (near / deviation) ** 2 - 2j * np.pi * frequency * near)
            level[..., row, place] = _db(np.abs(response.samples[..., inside] @ wave) ** 2)
    return TimeFrequency(times, frequencies, level)


def _turns(response: ImpulseResponse, frequencies: NDArray[np.float64]) -> NDArray[np.complex128]:
    return np.exp(-2j * np.pi * response.times_s[:, None] * frequencies)


def _db(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return 10 * np.log10(np.maximum(power, 1e-300))
