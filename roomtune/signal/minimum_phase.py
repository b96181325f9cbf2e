"""Minimum phase from magnitude.

For magnitudes known on any grid: the gain-phase relation of H. W. Bode,
"Network Analysis and Feedback Amplifier Design" (1945), chapter XIV, exact for
a magnitude that is piecewise straight in dB over log frequency. For the full
spectrum of a sampled response: the real cepstrum folded to positive time
(A. V. Oppenheim, R. W. Schafer, "Discrete-Time Signal Processing", ch. 13).
"""

from __future__ import annotations

import functools
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Ends = Literal["hold", "continue"]
_LONG = 60.0  # nepers of frequency that stand for infinity: e^-60 adds nothing


def minimum_phase_response(
    frequencies_hz: ArrayLike, magnitude: ArrayLike, ends: Ends | tuple[float, float] = "hold"
) -> NDArray[np.complex128]:
    """Complex minimum-phase response of a magnitude, shape of `magnitude` (..., k).

    frequencies_hz (k,) must rise and be positive, magnitude be positive. Beyond
    the grid the magnitude is held ("hold"), goes on with the slopes of the
    outermost intervals ("continue"), or follows two given slopes in powers of
    frequency (1 = 6 dB per octave, rising). Raises ValueError otherwise.
    """
    frequencies = np.asarray(frequencies_hz, dtype=float)
    level = _log_magnitude(magnitude)
    if frequencies.ndim != 1 or len(frequencies) < 2 or frequencies[0] <= 0:
        raise ValueError("minimum phase needs two or more positive frequencies")
    if not np.all(np.diff(frequencies) > 0):
        raise ValueError("frequencies must rise")
    slopes = np.diff(level, axis=-1) / np.diff(np.log(frequencies))
    lower, upper = _end_slopes(slopes, ends)
    slopes = np.concatenate([lower, slopes, upper], axis=-1)
    phase = slopes @ _phase_weights(frequencies.tobytes()).T
    return np.exp(level + 1j * phase)


def minimum_phase_on_log_grid(level: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Phase in radians, shape (..., k), of a level in nepers on an even log grid.

    `step` is the spacing in ln f. The level is held beyond the ends, so the
    grid should reach far beyond where the phase is wanted.
    """
    import scipy.fft

    count = level.shape[-1]
    reached = _kernel_integral(step * np.arange(-count, count + 1))
    kernel = np.diff(reached)[::-1] / np.pi
    length = scipy.fft.next_fast_len(3 * count, real=True)
    slopes = np.diff(level, axis=-1, append=level[..., -1:]) / step
    spectrum = scipy.fft.rfft(slopes, length) * scipy.fft.rfft(kernel, length)
    return scipy.fft.irfft(spectrum, length)[..., count - 1 : 2 * count - 1]


def minimum_phase_spectrum(magnitude: ArrayLike) -> NDArray[np.complex128]:
    """Minimum-phase spectrum of the magnitude on an even-length real-FFT grid.

    magnitude: (..., m) at the m bins from 0 to half the sample rate, positive.
    The response must be short against the 2 (m - 1) samples of the FFT, or the
    cepstrum aliases.
    """
    import scipy.fft

    level = _log_magnitude(magnitude)
    length = 2 * (level.shape[-1] - 1)
    cepstrum = scipy.fft.irfft(level, length, workers=-1)
    cepstrum[..., 1 : length // 2] *= 2
    cepstrum[..., length // 2 + 1 :] = 0
    return np.exp(scipy.fft.rfft(cepstrum, length, workers=-1))


def _log_magnitude(magnitude: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(magnitude, dtype=float)
    if not np.all(values > 0) or not np.all(np.isfinite(values)):
        raise ValueError("magnitudes must be positive and finite")
    return np.log(values)


def _end_slopes(
    slopes: NDArray[np.float64], ends: Ends | tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if ends == "hold":
        lower, upper = np.zeros_like(slopes[..., :1]), np.zeros_like(slopes[..., :1])
    elif ends == "continue":
        lower, upper = slopes[..., :1], slopes[..., -1:]
    else:
        lower, upper = (np.full_like(slopes[..., :1], float(end)) for end in ends)
    return lower, upper


@functools.lru_cache(maxsize=8)
def _phase_weights(frequencies: bytes) -> NDArray[np.float64]:
    """Phase at each frequency per unit slope of each interval, ends included.

    phi(u0) = (1/pi) int (dA/du) ln coth(|u - u0| / 2) du over u = ln f; the
    integral of the kernel has a closed form (Legendre's chi function).
    """
    points = np.log(np.frombuffer(frequencies))
    limits = np.concatenate([[points[0] - _LONG], points, [points[-1] + _LONG]])
    reached = _kernel_integral(limits[None, :] - points[:, None])
    weights = np.diff(reached, axis=-1) / np.pi
    weights.flags.writeable = False
    return weights


def _kernel_integral(distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Integral from 0 to x of ln coth(|u| / 2): sign(x) (pi^2/4 - 2 chi2(e^-|x|))."""
    from scipy.special import spence

    decay = np.exp(-np.abs(distance))
    chi2 = (spence(1 - decay) - spence(1 + decay)) / 2
    return np.sign(distance) * (np.pi**2 / 4 - 2 * chi2)
