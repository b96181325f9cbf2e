"""Parametric sections with analytic derivatives, many at once.

H(s) after the W3C Audio EQ Cookbook with s = j tan(w/2) / tan(w0/2), the form in
which nothing cancels at low frequencies. Every coefficient is a product of
powers of A = 10^(gain/40) and 1/Q, so the derivatives follow from exponents.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.complex128] | NDArray[np.float64]

_POWERS = {
    "peaking": (0.0, 1.0, 0.0, 0.0, -1.0, 0.0),
    "low shelf": (2.0, 1.5, 1.0, 0.0, 0.5, 1.0),
    "high shelf": (1.0, 1.5, 2.0, 1.0, 0.5, 0.0),
    "all pass": (0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
}
_A_PER_DB = np.log(10) / 40


@dataclass(frozen=True, eq=False)
class SectionBank:
    """m sections: kinds, and log_frequency, log_q, gain_db, each of shape (m,)."""

    kinds: tuple[str, ...]
    log_frequency: NDArray[np.float64]
    log_q: NDArray[np.float64]
    gain_db: NDArray[np.float64]


def section_responses(
    bank: SectionBank,
    frequencies_hz: NDArray[np.float64],
    sample_rate_hz: float,
    with_slopes: bool = True,
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Responses (m, k) and the derivatives of their natural logarithms (m, 3, k).

    Derivatives by log frequency, log Q and gain in dB: d ln H, so that a
    product's derivative is the product times their sum. Without slopes (m, 0, k).
    """
    ratio, slope = _warped(bank.log_frequency, frequencies_hz, sample_rate_hz)
    powers, signs = _powers(bank.kinds)
    n0, n1, n2, d0, d1, d2 = _coefficients(bank, powers) * signs
    square = ratio * ratio
    n2_square, d2_square, n1_ratio, d1_ratio = n2 * square, d2 * square, n1 * ratio, d1 * ratio
    above, below = np.empty((2, *ratio.shape), dtype=complex)
    above.real, above.imag = n0 - n2_square, n1_ratio
    below.real, below.imag = d0 - d2_square, d1_ratio
    if not with_slopes:
        return above / below, np.empty((len(ratio), 0, ratio.shape[1]), dtype=complex)
    per_above, per_below = 1 / above, 1 / below
    turned_above, turned_below = (1j * n1_ratio) * per_above, (1j * d1_ratio) * per_below
    slopes = np.empty((len(ratio), 3, ratio.shape[1]), dtype=complex)
    slopes[:, 1] = turned_below - turned_above
    bent = d2_square * per_below - n2_square * per_above
    slopes[:, 0] = (2 * bent - slopes[:, 1]) * slope
    p0, p1, p2, q0, q1, q2 = powers * _A_PER_DB
    by_gain = p1 * turned_above + (p0 * n0 - p2 * n2_square) * per_above
    by_gain -= q1 * turned_below + (q0 * d0 - q2 * d2_square) * per_below
    slopes[:, 2] = by_gain
    return above * per_below, slopes


def section_magnitudes(
    bank: SectionBank,
    frequencies_hz: NDArray[np.float64],
    sample_rate_hz: float,
    with_slopes: bool = True,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Magnitudes (m, k) and the derivatives of their natural logarithms (m, 3, k).

    The magnitudes and real parts of `section_responses`, for less work.
    """
    ratio, slope = _warped(bank.log_frequency, frequencies_hz, sample_rate_hz)
    powers, _ = _powers(bank.kinds)
    n0, n1, n2, d0, d1, d2 = _coefficients(bank, powers)
    square = ratio * ratio
    n2_square, d2_square = n2 * square, d2 * square
    above, below = n0 - n2_square, d0 - d2_square
    turned_above, turned_below = n1**2 * square, d1**2 * square
    per_above, per_below = 1 / (above**2 + turned_above), 1 / (below**2 + turned_below)
    magnitude = np.sqrt(per_below / per_above)
    if not with_slopes:
        return magnitude, np.empty((len(ratio), 0, ratio.shape[1]))
    turned_above *= per_above
    turned_below *= per_below
    above *= per_above
    below *= per_below
    slopes = np.empty((len(ratio), 3, ratio.shape[1]))
    slopes[:, 1] = turned_below - turned_above
    bent = d2_square * below - n2_square * above
    slopes[:, 0] = (2 * bent - slopes[:, 1]) * slope
    p0, p1, p2, q0, q1, q2 = powers * _A_PER_DB
    slopes[:, 2] = p1 * turned_above - q1 * turned_below
    if set(bank.kinds) & {"low shelf", "high shelf"}:
        slopes[:, 2] += (p0 * n0 - p2 * n2_square) * above - (q0 * d0 - q2 * d2_square) * below
    return magnitude, slopes


def section_values(
    bank: SectionBank,
    frequencies_hz: NDArray[np.float64],
    sample_rate_hz: float,
    phases: bool,
    with_slopes: bool = True,
) -> tuple[Values, Values]:
    """`section_responses`, or `section_magnitudes` where no phases count."""
    worked_out = section_responses if phases else section_magnitudes
    return worked_out(bank, frequencies_hz, sample_rate_hz, with_slopes)


def _warped(
    log_frequency: NDArray[np.float64], frequencies_hz: NDArray[np.float64], rate: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bilinear frequency ratio (m, k) and d ln(ratio) / d ln(f0), (m, 1)."""
    angle = 2 * np.pi * np.exp(log_frequency)[:, None] / rate
    half = np.pi * np.minimum(frequencies_hz, 0.4999 * rate) / rate
    return np.tan(half) / np.tan(angle / 2), -angle / np.sin(angle)


@lru_cache(maxsize=256)
def _powers(kinds: tuple[str, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Exponents of A of the six coefficients, (6, m, 1), and their signs."""
    powers = np.array([_POWERS[kind] for kind in kinds]).reshape(-1, 6).T[..., None]
    signs = np.ones_like(powers)
    signs[1, np.array(kinds) == "all pass"] = -1.0
    return powers, signs


def _coefficients(bank: SectionBank, powers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients of 1, s and s^2 above and below, (6, m, 1)."""
    coefficients = np.exp((_A_PER_DB * bank.gain_db[:, None]) * powers)
    coefficients[1::3] *= np.exp(-bank.log_q)[:, None]
    return np.asarray(coefficients)
