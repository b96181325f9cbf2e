"""Noise at the microphone, and what it does to a measured response."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.capture.take import Take
from roomtune.signal.decibels import power
from roomtune.signal.sweeps import sweep_energy_density
from roomtune.signal.values import NoiseSpectrum

TAPERS = 10
SMOOTHING = 0.06


def noise_density(samples: NDArray[np.float64], sample_rate_hz: float) -> NoiseSpectrum:
    """Estimate the two-sided density of noise from a stretch of it, shape (m,).

    Sine multitaper (Riedel and Sidorenko, IEEE Trans. Signal Processing 43(1),
    188-195, 1995): 10 tapers, resolution 11 / (2 T) (8 Hz for 0.7 s), standard
    deviation 1/sqrt(10) of the value. Unit of `samples` squared per Hz. Raises ValueError for a
    stretch that is too short.
    """
    import scipy.fft

    count = samples.size
    if count < 64:
        raise ValueError(f"{count} samples are too few to tell the noise")
    centred = samples - samples.mean()
    phase = np.pi * np.arange(1, count + 1) / (count + 1)
    length = scipy.fft.next_fast_len(count, real=True)
    density = np.zeros(length // 2 + 1)
    for order in range(1, TAPERS + 1):
        taper = np.sqrt(2 / (count + 1)) * np.sin(order * phase)
        density += np.abs(scipy.fft.rfft(centred * taper, length)) ** 2
    frequencies = np.arange(density.size) * (sample_rate_hz / length)
    return NoiseSpectrum(frequencies, density / (TAPERS * sample_rate_hz))


def smoothed_density(noise: NoiseSpectrum, frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Density averaged over +-3 % around each frequency (at least +-4 bins)."""
    grid = noise.frequencies_hz
    step = float(grid[1] - grid[0])
    total = np.concatenate(([0.0], np.cumsum(noise.density)))
    centre = np.asarray(frequencies_hz, dtype=float) / step
    half = np.maximum(centre * SMOOTHING / 2, 4)
    first = np.clip(np.round(centre - half), 0, grid.size - 1).astype(int)
    last = np.clip(np.round(centre + half) + 1, first + 1, grid.size).astype(int)
    return np.asarray((total[last] - total[first]) / (last - first))


def response_uncertainty(
    take: Take, frequencies_hz: ArrayLike, window_s: float
) -> NDArray[np.float64]:
    """Standard deviation of the complex response that noise leaves, shape (k,).

    For a response computed from a stretch of `window_s` (the equivalent length,
    the sum of the squared window) of the impulse response: the variance is
    window_s S(f) / |A X(f)|^2 with S the two-sided density of the noise and A X
    the continuous transform of the played sweep. Real and imaginary part each
    carry half of it. Infinite outside the swept band.
    """
    density = smoothed_density(take.noise, frequencies_hz)
    energy = sweep_energy_density(take.stimulus, frequencies_hz) * power(take.level_dbfs)
    with np.errstate(divide="ignore"):
        return np.asarray(np.sqrt(window_s * density / energy))


def octaves_hz(low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Centres of the whole octaves in a band, at least one."""
    first = int(np.ceil(np.log2(low_hz * np.sqrt(2) / 1000) - 1e-9))
    last = int(np.floor(np.log2(high_hz / np.sqrt(2) / 1000) + 1e-9))
    if last < first:
        return np.array([np.sqrt(low_hz * high_hz)])
    return np.asarray(1000 * 2.0 ** np.arange(first, last + 1))
