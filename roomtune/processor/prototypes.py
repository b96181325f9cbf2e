"""Analogue prototypes of all second-order filters, in one common form.

H(s) = (n0 + n1 s + n2 s^2) / (d0 + d1 s + d2 s^2), with s = j at the filter's
frequency. Source: W3C Audio EQ Cookbook (Working Group Note, 8 June 2021);
low and high pass families: poles in `roomtune.processor.crossovers`, high
passes by s -> 1/s.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from roomtune.processor.crossovers import section_poles
from roomtune.processor.tuning import Family, Filter

Coefficients = tuple[float, float, float]


class Prototype(NamedTuple):
    """Numerator and denominator, rising powers of s; first order where n2 = d2 = 0."""

    numerator: Coefficients
    denominator: Coefficients

    @property
    def first_order(self) -> bool:
        """Whether both polynomials stop at s."""
        return self.numerator[2] == 0 and self.denominator[2] == 0


# How the coefficients n0 n1 n2 d0 d1 d2 depend on A = 10^(gain_db / 40): its powers in them.
POWERS_OF_A: dict[str, tuple[float, ...]] = {
    "peaking": (0.0, 1.0, 0.0, 0.0, -1.0, 0.0),
    "low shelf": (2.0, 1.5, 1.0, 0.0, 0.5, 1.0),
    "high shelf": (1.0, 1.5, 2.0, 1.0, 0.5, 0.0),
}


def second_order(filter_type: str, q: float, gain_db: float = 0.0) -> Prototype:
    """The cookbook prototype of a filter type; ValueError for a type without one."""
    a = 10 ** (gain_db / 40)
    damping = 1 / q
    match filter_type:
        case "peaking":
            return Prototype((1.0, a * damping, 1.0), (1.0, damping / a, 1.0))
        case "low shelf":
            slope = a**0.5 * damping
            return Prototype((a * a, a * slope, a), (1.0, slope, a))
        case "high shelf":
            slope = a**0.5 * damping
            return Prototype((a, a * slope, a * a), (a, slope, 1.0))
        case "low pass":
            return Prototype((1.0, 0.0, 0.0), (1.0, damping, 1.0))
        case "high pass":
            return Prototype((0.0, 0.0, 1.0), (1.0, damping, 1.0))
        case "all pass":
            return Prototype((1.0, -damping, 1.0), (1.0, damping, 1.0))
        case "notch":
            return Prototype((1.0, 0.0, 1.0), (1.0, damping, 1.0))
    raise ValueError(f"a {filter_type!r} filter has no second-order prototype")


def prototypes_of(item: Filter) -> tuple[Prototype, ...]:
    """The prototypes that a filter cascades, in the order that it is realised."""
    if item.family is not None:
        high = item.type == "high pass"
        return crossover_prototypes(item.family, item.order or 0, high)
    return (second_order(item.type, item.q or 0.0, item.gain_db or 0.0),)


@lru_cache(maxsize=256)
def crossover_prototypes(family: Family, order: int, high_pass: bool) -> tuple[Prototype, ...]:
    """Sections of a low or high pass; ValueError for an order that the family does not have."""
    poles = section_poles(family, order)
    return tuple(_of_pole(frequency, q, high_pass) for frequency, q in poles)


def _of_pole(frequency: float, q: float | None, high_pass: bool) -> Prototype:
    if q is None:
        low = Prototype((1.0, 0.0, 0.0), (1.0, 1 / frequency, 0.0))
        last = 1
    else:
        low = Prototype((1.0, 0.0, 0.0), (1.0, 1 / (frequency * q), 1 / frequency**2))
        last = 2
    if not high_pass:
        return low
    turned = [*low.denominator[: last + 1][::-1], *([0.0] * (2 - last))]
    numerator = [0.0, 0.0, 0.0]
    numerator[last] = 1.0
    return Prototype((numerator[0], numerator[1], numerator[2]), (turned[0], turned[1], turned[2]))


def digital_section(
    prototype: Prototype, frequency_hz: float, sample_rate_hz: float
) -> NDArray[np.float64]:
    """Bilinear transform, exact at `frequency_hz`: b0 b1 b2 a0 a1 a2, shape (6,), a0 = 1.

    Written with sin^2 and cos^2 of half the angle, so that nothing cancels at
    low frequencies (1 - cos w would).
    """
    half = np.pi * frequency_hz / sample_rate_hz
    sine, cosine = np.sin(half), np.cos(half)
    transform = _first_order if prototype.first_order else _second_order
    b = transform(prototype.numerator, sine, cosine)
    a = transform(prototype.denominator, sine, cosine)
    row: NDArray[np.float64] = np.concatenate([b, a]) / a[0]
    return row


def _second_order(c: Coefficients, sine: float, cosine: float) -> NDArray[np.float64]:
    low, middle, high = c[0] * sine * sine, c[1] * sine * cosine, c[2] * cosine * cosine
    return np.array([low + middle + high, 2 * (low - high), low - middle + high])


def _first_order(c: Coefficients, sine: float, cosine: float) -> NDArray[np.float64]:
    low, high = c[0] * sine, c[1] * cosine
    return np.array([low + high, low - high, 0.0])
