"""How far one response is a delayed, scaled, perhaps inverted copy of another."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.bands import BandPlan, band_plan
from roomtune.signal.smoothing import smoothing_bands_hz

SMOOTHING_FRACTION = 3


@dataclass(frozen=True)
class Likeness:
    """`delay_s` of the second after the first, its `polarity`, and how alike they are.

    `likeness` is the correlation at that delay, 0 to 1; 1 means that both have
    the same phase, up to that delay and polarity, all over the band.
    """

    delay_s: float
    polarity: int
    likeness: float


def likeness(
    first: NDArray[np.complex128],
    second: NDArray[np.complex128],
    frequencies_hz: NDArray[np.float64],
    weight: NDArray[np.float64],
    within_s: float | None = None,
) -> Likeness:
    """Compare two responses (k,) on a whole FFT grid by generalised cross-correlation.

    Every frequency counts by `weight` (k,), per unit of log frequency, whatever
    its level (third-octave smoothed powers are divided out). The delay is
    found to a small fraction of a sample, and sought within +-`within_s`.
    Raises ValueError for a grid that does not start at 0 with even steps.
    """
    import scipy.fft

    count = len(frequencies_hz)
    step = frequencies_hz[1] - frequencies_hz[0]
    if frequencies_hz[0] != 0 or not np.isclose(frequencies_hz[-1], step * (count - 1)):
        raise ValueError("a whole FFT grid is needed, from 0 Hz with even steps")
    cross, total = _whitened(first, second, frequencies_hz, weight)
    length = scipy.fft.next_fast_len(4 * count, real=True)
    correlation = scipy.fft.irfft(cross, length) * length / 2 / total
    rate = length * step
    times = np.arange(length) / rate
    times = np.where(np.arange(length) > length // 2, times - length / rate, times)
    sought = np.abs(correlation)
    if within_s is not None:
        sought = np.where(np.abs(times) <= within_s, sought, -1.0)
    peak = int(np.argmax(sought))
    polarity = 1 if correlation[peak] > 0 else -1
    shift, height = _top(polarity * correlation[(peak + np.array([-1, 0, 1])) % length])
    return Likeness(float(times[peak] + shift / rate), polarity, float(min(height, 1.0)))


def _whitened(
    first: NDArray[np.complex128],
    second: NDArray[np.complex128],
    frequencies_hz: NDArray[np.float64],
    weight: NDArray[np.float64],
) -> tuple[NDArray[np.complex128], float]:
    """Cross spectrum with the levels divided out, and the sum it would have if alike."""
    used = (weight > 0) & (frequencies_hz > 0)
    smoothing = _smoothing(len(frequencies_hz) - 1, float(frequencies_hz[1]))
    powers = np.abs(np.stack([first, second])[:, 1:]) ** 2
    means = np.maximum(smoothing.mean(powers), 0.0)
    levels = np.sqrt(np.prod(means, axis=0))
    per_hz = np.where(used, weight / np.maximum(frequencies_hz, 1e-9), 0.0)
    cross = np.zeros(len(frequencies_hz), dtype=complex)
    scale = per_hz[1:] / np.maximum(levels, 1e-300)
    cross[1:] = second[1:] * np.conj(first[1:]) * scale
    total = float(np.sum(np.sqrt(np.prod(powers, axis=0)) * scale))
    return cross, max(total, 1e-300)


@lru_cache(maxsize=4)
def _smoothing(count: int, step_hz: float) -> BandPlan:
    """Third-octave windows about every frequency of a whole FFT grid but 0 Hz."""
    frequencies = np.arange(1, count + 1, dtype=np.float64) * step_hz
    return band_plan(frequencies, smoothing_bands_hz(frequencies, SMOOTHING_FRACTION))


def _top(values: NDArray[np.float64]) -> tuple[float, float]:
    """Place and height of the parabola through three samples about a maximum."""
    left, middle, right = values
    bend = left - 2 * middle + right
    if bend >= 0:
        return 0.0, float(middle)
    shift = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
    return shift, float(middle - 0.25 * (left - right) * shift)
