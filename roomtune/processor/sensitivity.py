"""How the response of a filter turns with each of its values: complex derivatives.

For joint optimisation of levels and phases: if H is the response, these are
the derivatives of ln H (natural logarithm, complex), so that a small change of
a value multiplies the response by 1 + change * derivative. Well conditioned
like `roomtune.processor.gradient`, whose level derivatives are
20 / ln 10 times the real parts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.processor.filters import check_filter
from roomtune.processor.prototypes import POWERS_OF_A, Coefficients, Prototype, prototypes_of
from roomtune.processor.tuning import Filter

Complex = NDArray[np.complex128]


def log_derivatives(
    item: Filter, sample_rate_hz: float, frequencies_hz: ArrayLike
) -> NDArray[np.complex128]:
    """d ln H / d (frequency_hz, q, gain_db), shape (3, k); zero for values it has not.

    For all types but "biquad" and "fir" (ValueError), crossover families
    included; frequencies_hz strictly between 0 and Nyquist.
    """
    check_filter(item, sample_rate_hz)
    if item.frequency_hz is None:
        raise ValueError(f"a {item.type} filter has no values to derive by")
    turn = np.pi / sample_rate_hz
    own = turn * item.frequency_hz
    angle = turn * np.asarray(frequencies_hz, dtype=np.float64)
    s = 1j * np.tan(angle) / np.tan(own)
    s_slope = -turn / (np.sin(own) * np.cos(own)) * s
    slopes = np.zeros((3, *angle.shape), dtype=np.complex128)
    for prototype in prototypes_of(item):
        slopes[0] += s_slope * _by_s(prototype, s)
    if item.q is not None:
        slopes[1] = _by_values(item, s, "q")
    if item.gain_db is not None:
        slopes[2] = _by_values(item, s, "gain_db")
    return slopes


def _polynomial(c: Coefficients, s: Complex) -> Complex:
    return c[0] + s * (c[1] + s * c[2])


def _by_s(prototype: Prototype, s: Complex) -> Complex:
    """d ln H / d s."""
    (_, n1, n2), (_, d1, d2) = prototype
    upper = (n1 + 2 * n2 * s) / _polynomial(prototype.numerator, s)
    return upper - (d1 + 2 * d2 * s) / _polynomial(prototype.denominator, s)


def _by_values(item: Filter, s: Complex, value: str) -> Complex:
    """d ln H / d q or gain_db: each coefficient is a power of it."""
    (prototype,) = prototypes_of(item)
    if value == "q":
        powers: tuple[float, ...] = (0.0, -1.0, 0.0, 0.0, -1.0, 0.0)
        scale = 1 / (item.q or 1.0)
    else:
        powers, scale = POWERS_OF_A[item.type], float(np.log(10) / 40)
    n0, n1, n2 = (p * c for p, c in zip(powers[:3], prototype.numerator, strict=True))
    d0, d1, d2 = (p * c for p, c in zip(powers[3:], prototype.denominator, strict=True))
    upper = _polynomial((n0, n1, n2), s) / _polynomial(prototype.numerator, s)
    return scale * (upper - _polynomial((d0, d1, d2), s) / _polynomial(prototype.denominator, s))
