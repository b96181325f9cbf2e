"""Second-order sections and the exact response of one filter.

Sections are rows b0 b1 b2 a0 a1 a2 with a0 = 1, as the processor holds them:
`number_format` rounds the coefficients. Responses are those of the held
coefficients, evaluated in z^-1 - 1 so that nothing cancels at low frequencies.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.processor.number_format import number_format as parse_format
from roomtune.processor.number_format import quantised
from roomtune.processor.prototypes import digital_section, prototypes_of
from roomtune.processor.tuning import Filter

_NEEDS: dict[str, tuple[str, ...]] = {
    "peaking": ("frequency_hz", "q", "gain_db"),
    "low shelf": ("frequency_hz", "q", "gain_db"),
    "high shelf": ("frequency_hz", "q", "gain_db"),
    "all pass": ("frequency_hz", "q"),
    "notch": ("frequency_hz", "q"),
    "low pass": ("frequency_hz", "q"),
    "high pass": ("frequency_hz", "q"),
    "biquad": ("b", "a"),
    "fir": ("taps",),
}
_FAMILY_NEEDS = ("frequency_hz", "family", "order")
_FIELDS = ("frequency_hz", "q", "gain_db", "family", "order", "b", "a", "taps")


def needed_fields(item: Filter) -> tuple[str, ...]:
    """The fields that a filter of this type must set, and no others."""
    if item.type in ("low pass", "high pass") and item.family is not None:
        return _FAMILY_NEEDS
    return _NEEDS[item.type]


def check_filter(item: Filter, sample_rate_hz: float) -> None:
    """Raise ValueError, naming field, value and what was expected, unless the filter is sound."""
    if item.type not in _NEEDS:
        raise ValueError(f"type: got {item.type!r}, expected one of {', '.join(_NEEDS)}")
    needed = needed_fields(item)
    for field in _FIELDS:
        if (getattr(item, field) is None) == (field in needed):
            what = "is missing" if field in needed else "does not belong to it"
            raise ValueError(f"{field}: {what}; a {item.type} filter has {', '.join(needed)}")
    if item.frequency_hz is not None and not 0 < item.frequency_hz < sample_rate_hz / 2:
        raise ValueError(
            f"frequency_hz: got {item.frequency_hz:g}, expected between 0 and half the "
            f"sample rate ({sample_rate_hz / 2:g})"
        )
    if item.q is not None and not 0 < item.q < np.inf:
        raise ValueError(f"q: got {item.q:g}, expected more than 0")
    if item.gain_db is not None and not abs(item.gain_db) <= 120:
        raise ValueError(f"gain_db: got {item.gain_db:g}, expected within -120 and 120")
    if item.family is not None:
        prototypes_of(item)
    _check_coefficients(item)


def _check_coefficients(item: Filter) -> None:
    if item.taps is not None and not (item.taps and np.all(np.isfinite(item.taps))):
        raise ValueError("taps: expected at least one, all finite numbers")
    if item.a is None or item.b is None:
        return
    if not (len(item.b) == 3 and len(item.a) == 3 and np.all(np.isfinite(item.a + item.b))):
        raise ValueError("b, a: expected three finite numbers each")
    if item.a[0] != 1:
        raise ValueError(f"a: got a0 = {item.a[0]:g}, expected 1 (divide all six by a0)")
    if not is_stable(np.array([[*item.b, *item.a]])):
        raise ValueError(f"a: {item.a} is unstable: |a2| < 1 and |a1| < 1 + a2 must hold")


@lru_cache(maxsize=8192)
def filter_sections(
    item: Filter, sample_rate_hz: float, number_format: str = "float64"
) -> NDArray[np.float64]:
    """Sections of a filter as held, shape (sections, 6), read-only; none for "fir".

    Raises ValueError when the filter is not sound (see `check_filter`).
    """
    check_filter(item, sample_rate_hz)
    if item.type == "fir":
        rows = np.zeros((0, 6))
    elif item.type == "biquad":
        rows = np.array([[*(item.b or ()), *(item.a or ())]])
    else:
        frequency_hz = item.frequency_hz or 0.0
        rows = np.array(
            [digital_section(p, frequency_hz, sample_rate_hz) for p in prototypes_of(item)]
        )
    if number_format != "float64":
        rows = quantised(rows, parse_format(number_format))
        rows[:, 3] = 1.0
    rows.flags.writeable = False
    return rows


@lru_cache(maxsize=256)
def filter_taps(item: Filter, number_format: str = "float64") -> NDArray[np.float64]:
    """Taps of a "fir" filter as held, shape (taps,), read-only."""
    taps = quantised(item.taps or (1.0,), parse_format(number_format))
    taps.flags.writeable = False
    return taps


def is_stable(sections: NDArray[np.float64]) -> bool:
    """Whether all poles lie inside the unit circle (the stability triangle)."""
    a1, a2 = sections[:, 4], sections[:, 5]
    one_minus, one_plus = 1 - a2, 1 + a2
    return bool(np.all((one_minus > 0) & (one_plus > np.abs(a1))))


def backward_step(frequencies_hz: ArrayLike, sample_rate_hz: float) -> NDArray[np.complex128]:
    """z^-1 - 1 on the unit circle without cancellation; ValueError beyond Nyquist."""
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    if frequencies.size and not (
        frequencies.min() >= 0 and frequencies.max() <= sample_rate_hz / 2
    ):
        raise ValueError(
            f"frequencies from {frequencies.min():g} to {frequencies.max():g} Hz, "
            f"expected 0 to {sample_rate_hz / 2:g} Hz (half the sample rate)"
        )
    half = np.pi * frequencies / sample_rate_hz
    sine = np.sin(half)
    return -2 * sine * (sine + 1j * np.cos(half))


def sections_response(
    sections: NDArray[np.float64], step: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Response of cascaded sections at `step` = z^-1 - 1 (see `backward_step`); its shape."""
    total = np.ones(step.shape, dtype=np.complex128)
    for b0, b1, b2, a0, a1, a2 in sections.tolist():
        total *= _polynomial(b0, b1, b2, step) / _polynomial(a0, a1, a2, step)
    return total


def _polynomial(
    c0: float, c1: float, c2: float, step: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """c0 + c1 z^-1 + c2 z^-2 = (c0 + c1 + c2) + step (c1 + 2 c2 + step c2)."""
    from math import fsum

    return fsum((c0, c1, c2)) + step * (fsum((c1, c2, c2)) + step * c2)


def taps_response(
    taps: NDArray[np.float64], frequencies_hz: NDArray[np.float64], sample_rate_hz: float
) -> NDArray[np.complex128]:
    """Response of an FIR filter at any frequencies: blocks of 64 taps, joined by Horner."""
    block = 64
    padded = np.zeros(-(-len(taps) // block) * block)
    padded[: len(taps)] = taps
    angle = -2j * np.pi * np.asarray(frequencies_hz, dtype=np.float64) / sample_rate_hz
    parts = padded.reshape(-1, block) @ np.exp(np.multiply.outer(np.arange(block), angle))
    total, turn = np.zeros(angle.shape, dtype=np.complex128), np.exp(block * angle)
    for part in parts[::-1]:
        total = total * turn + part
    return total


def filter_response(
    item: Filter,
    sample_rate_hz: float,
    frequencies_hz: ArrayLike,
    number_format: str = "float64",
) -> NDArray[np.complex128]:
    """Complex response of a filter as held, shape of `frequencies_hz`.

    Raises ValueError when the filter is not sound or a frequency lies beyond Nyquist.
    """
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    step = backward_step(frequencies, sample_rate_hz)
    return response_at_step(item, sample_rate_hz, frequencies, step, number_format)


def response_at_step(
    item: Filter,
    sample_rate_hz: float,
    frequencies_hz: NDArray[np.float64],
    step: NDArray[np.complex128],
    number_format: str = "float64",
) -> NDArray[np.complex128]:
    """As `filter_response`, with `backward_step` worked out once for many filters."""
    sections = filter_sections(item, sample_rate_hz, number_format)
    if item.type == "fir":
        return taps_response(filter_taps(item, number_format), frequencies_hz, sample_rate_hz)
    return sections_response(sections, step)
