"""Parametric sections with analytic derivatives, many at once.

H(s) after the W3C Audio EQ Cookbook with s = j tan(w/2) / tan(w0/2), the form in
which nothing cancels at low frequencies. Every coefficient is a product of
powers of A = 10^(gain/40) and 1/Q, so the derivatives follow from exponents.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_NUMERATOR = {
    "peaking": (0.0, 1.0, 0.0),
    "low shelf": (2.0, 1.5, 1.0),
    "high shelf": (1.0, 1.5, 2.0),
    "all pass": (0.0, 0.0, 0.0),
}
_DENOMINATOR = {
    "peaking": (0.0, -1.0, 0.0),
    "low shelf": (0.0, 0.5, 1.0),
    "high shelf": (1.0, 0.5, 0.0),
    "all pass": (0.0, 0.0, 0.0),
}


@dataclass(frozen=True, eq=False)
class SectionBank:
    """m sections: kinds, and log_frequency, log_q, gain_db, each of shape (m,)."""

    kinds: tuple[str, ...]
    log_frequency: NDArray[np.float64]
    log_q: NDArray[np.float64]
    gain_db: NDArray[np.float64]


def section_responses(
    bank: SectionBank, frequencies_hz: NDArray[np.float64], sample_rate_hz: float
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Natural logarithm of the responses (m, k) and its derivatives (3, m, k).

    Derivatives by log frequency, log Q and gain in dB. The imaginary part of
    the logarithm is the phase, up to whole turns.
    """
    ratio, slope = _warped(bank.log_frequency, frequencies_hz, sample_rate_hz)
    s = 1j * ratio
    powers = np.array([np.ones_like(s), s, s * s])
    above, above_weights = _polynomial(bank, _NUMERATOR, powers)
    below, below_weights = _polynomial(bank, _DENOMINATOR, powers)
    n, d = above.sum(axis=0), below.sum(axis=0)
    by_frequency = ((above[1] + 2 * above[2]) / n - (below[1] + 2 * below[2]) / d) * slope
    by_q = below[1] / d - above[1] / n
    by_gain = (above_weights * above).sum(axis=0) / n - (below_weights * below).sum(axis=0) / d
    by_gain = by_gain * (np.log(10) / 40)
    return np.log(n / d), np.array([by_frequency, by_q, by_gain])


def _warped(
    log_frequency: NDArray[np.float64], frequencies_hz: NDArray[np.float64], rate: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bilinear frequency ratio (m, k) and d ln(ratio) / d ln(f0), (m, 1)."""
    angle = 2 * np.pi * np.exp(log_frequency)[:, None] / rate
    half = np.pi * np.minimum(frequencies_hz, 0.4999 * rate) / rate
    return np.tan(half) / np.tan(angle / 2), -angle / np.sin(angle)


def _polynomial(
    bank: SectionBank, exponents: dict[str, tuple[float, ...]], powers: NDArray[np.complex128]
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Terms of a polynomial (3, m, k) and their exponents of A (3, m, 1)."""
    weights = np.array([exponents[kind] for kind in bank.kinds]).reshape(-1, 3).T
    amplitude = 10 ** (bank.gain_db / 40)
    coefficients = amplitude**weights
    coefficients[1] *= np.exp(-bank.log_q)
    if exponents is _NUMERATOR:
        coefficients[1] *= np.where(np.array(bank.kinds) == "all pass", -1.0, 1.0)
    return coefficients[..., None] * powers, weights[..., None]
