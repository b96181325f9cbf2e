"""Low and high passes by family and order: where their poles lie.

Butterworth: Q of the sections from the pole angles. Linkwitz-Riley of order
2 n: Butterworth of order n twice (S. Linkwitz, JAES 24(1), 2-8, 1976). Bessel:
poles of the Bessel (Thomson) polynomial, scaled so that the level at the
stated frequency is -3.01 dB.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from roomtune.processor.tuning import Family

MAXIMUM_ORDER = 24
_Poles = tuple[tuple[float, float | None], ...]


@lru_cache(maxsize=256)
def section_poles(family: Family, order: int) -> _Poles:
    """(frequency over crossover frequency, Q) of each low-pass section; Q None: first order.

    Lowest Q first, a first-order section last. Raises ValueError for an order
    that the family does not have: Linkwitz-Riley is even; all are from 1 to 24.
    """
    if not 1 <= order <= MAXIMUM_ORDER:
        raise ValueError(f"a crossover has an order from 1 to {MAXIMUM_ORDER}, got {order}")
    if family == "Butterworth":
        return _butterworth(order)
    if family == "Linkwitz-Riley":
        if order % 2:
            raise ValueError(f"a Linkwitz-Riley crossover has an even order, got {order}")
        return _twice(_butterworth(order // 2))
    if family == "Bessel":
        return _bessel(order)
    raise ValueError(f"unknown crossover family {family!r}")


def _butterworth(order: int) -> _Poles:
    angles = (2 * np.arange(order // 2) + 1) * np.pi / (2 * order)
    pairs = sorted(float(0.5 / np.sin(angle)) for angle in angles)
    return (*((1.0, q) for q in pairs), *(((1.0, None),) if order % 2 else ()))


def _twice(poles: _Poles) -> _Poles:
    """Each section twice; two first-order ones make one of second order with Q 1/2."""
    pairs = [pole for pole in poles if pole[1] is not None for _ in range(2)]
    first = [(frequency, 0.5) for frequency, q in poles if q is None]
    return (*first, *pairs)


def _bessel(order: int) -> _Poles:
    from scipy.signal import besselap

    _, poles, _ = besselap(order, norm="mag")
    upper = [p for p in poles if p.imag > 1e-9 * abs(p)]
    real = [p for p in poles if abs(p.imag) <= 1e-9 * abs(p)]
    pairs = sorted(((abs(p), abs(p) / (-2 * p.real)) for p in upper), key=lambda pair: pair[1])
    return (
        *((float(frequency), float(q)) for frequency, q in pairs),
        *((float(abs(p)), None) for p in real),
    )
