"""Parametric sections with analytic derivatives, many at once.

H(s) after the W3C Audio EQ Cookbook with s = j tan(w/2) / tan(w0/2), the form in
which nothing cancels at low frequencies. Every coefficient is a product of
powers of A = 10^(gain/40) and 1/Q, so the derivatives follow from exponents.
"""

from __future__ import annotations

from collections.abc import Mapping
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
    """Responses (m, k) and the derivatives of their natural logarithms (3, m, k).

    Derivatives by log frequency, log Q and gain in dB: d ln H, so that a
    product's derivative is the product times their sum.
    """
    ratio, slope = _warped(bank.log_frequency, frequencies_hz, sample_rate_hz)
    n0, n1, n2 = _coefficients(bank, _NUMERATOR)
    d0, d1, d2 = _coefficients(bank, _DENOMINATOR)
    square = ratio * ratio
    above, below = (n0 - n2 * square) + 1j * (n1 * ratio), (d0 - d2 * square) + 1j * (d1 * ratio)
    per_above, per_below = 1 / above, 1 / below
    turned_above, turned_below = 1j * (n1 * ratio) * per_above, 1j * (d1 * ratio) * per_below
    slopes = np.empty((3, *ratio.shape), dtype=complex)
    bent = turned_above - 2 * n2 * square * per_above
    slopes[0] = (bent - turned_below + 2 * d2 * square * per_below) * slope
    slopes[1] = turned_below - turned_above
    up, down = _exponents(bank, _NUMERATOR), _exponents(bank, _DENOMINATOR)
    slopes[2] = up[1] * turned_above + (up[0] * n0 - up[2] * n2 * square) * per_above
    slopes[2] -= down[1] * turned_below + (down[0] * d0 - down[2] * d2 * square) * per_below
    slopes[2] *= np.log(10) / 40
    return above * per_below, slopes


def _warped(
    log_frequency: NDArray[np.float64], frequencies_hz: NDArray[np.float64], rate: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bilinear frequency ratio (m, k) and d ln(ratio) / d ln(f0), (m, 1)."""
    angle = 2 * np.pi * np.exp(log_frequency)[:, None] / rate
    half = np.pi * np.minimum(frequencies_hz, 0.4999 * rate) / rate
    return np.tan(half) / np.tan(angle / 2), -angle / np.sin(angle)


def _exponents(bank: SectionBank, table: Mapping[str, tuple[float, ...]]) -> NDArray[np.float64]:
    """Exponents of A of the three coefficients, (3, m, 1)."""
    return np.array([table[kind] for kind in bank.kinds]).reshape(-1, 3).T[..., None]


def _coefficients(bank: SectionBank, table: Mapping[str, tuple[float, ...]]) -> NDArray[np.float64]:
    """Coefficients of 1, s and s^2, (3, m, 1)."""
    exponents = _exponents(bank, table)
    coefficients = np.exp((np.log(10) / 40) * bank.gain_db[:, None] * exponents)
    coefficients[1] *= np.exp(-bank.log_q)[:, None]
    if table is _NUMERATOR:
        coefficients[1, np.array(bank.kinds) == "all pass"] *= -1.0
    return np.asarray(coefficients)
