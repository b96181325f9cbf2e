"""Filter coefficients for processors that take them raw.

Sections stand in the order in which they are cascaded: a channel's filters,
then a route's, then an output's, each filter's sections from first to last.
Difference equation, in the convention "subtracted" (a0 = 1):
y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2];
in the convention "added" a1 and a2 have the other sign and are added.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.processor.filters import filter_sections
from roomtune.processor.number_format import NumberFormat, hexadecimal, number_format, quantised
from roomtune.processor.tuning import Filter, Tuning

Convention = Literal["subtracted", "added"]
COEFFICIENTS = ("b0", "b1", "b2", "a1", "a2")
HEADER = ("place", "number", "filter", "filter type", "section", *COEFFICIENTS)


@dataclass(frozen=True, eq=False)
class PlacedSection:
    """One second-order section: where it is, of which filter, and b0 b1 b2 a0 a1 a2."""

    place: str
    number: int | None
    filter_number: int
    filter_type: str
    section: int
    coefficients: NDArray[np.float64]


def placed_sections(tuning: Tuning) -> Iterator[PlacedSection]:
    """Every section of a tuning, in typing and cascading order (exact coefficients)."""
    for channel in tuning.channels:
        yield from _sections(tuning, f"channel {channel.name}", None, channel.filters)
    for route in tuning.routes:
        place = f"route {route.channel} to {route.output}"
        yield from _sections(tuning, place, None, route.filters)
    for output in sorted(tuning.outputs, key=lambda o: o.number):
        yield from _sections(tuning, f"output {output.name}", output.number, output.filters)


def _sections(
    tuning: Tuning, place: str, number: int | None, filters: tuple[Filter, ...]
) -> Iterator[PlacedSection]:
    for filter_number, item in enumerate(filters, start=1):
        rows = filter_sections(item, tuning.sample_rate_hz)
        for section, row in enumerate(rows, start=1):
            yield PlacedSection(place, number, filter_number, item.type, section, row)


def biquads_csv(
    tuning: Tuning, form: str = "float64", convention: Convention = "subtracted"
) -> str:
    """Coefficients as CSV, one section per line, a0 = 1.

    `form`: "float64", "float32" or fixed point "A.B" such as "5.23" (A integer
    bits with the sign, B fraction bits): floats in decimal digits that read back
    exactly, fixed point also as hexadecimal words. Comment lines at the top state
    rate, form and convention. Raises ValueError for a form or convention that
    does not exist, or a value that the fixed-point form cannot hold.
    """
    if convention not in ("subtracted", "added"):
        raise ValueError(f"the convention is 'subtracted' or 'added', not {convention!r}")
    style = number_format(form)
    text = io.StringIO()
    text.write(f"# sample rate {tuning.sample_rate_hz:g} Hz; number format {form}; a0 = 1\n")
    sign = "-" if convention == "subtracted" else "+"
    text.write(f"# y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] {sign} a1 y[n-1] {sign} a2 y[n-2]\n")
    writer = csv.writer(text, lineterminator="\n")
    words = () if style.floating else tuple(f"{name} word" for name in COEFFICIENTS)
    writer.writerow((*HEADER, *words))
    for item in placed_sections(tuning):
        writer.writerow(_line(item, style, convention))
    return text.getvalue()


def _line(item: PlacedSection, style: NumberFormat, convention: Convention) -> list[object]:
    values = np.delete(item.coefficients, 3)
    if convention == "added":
        values[3:] = -values[3:]
    _must_fit(values, style, item)
    held = quantised(values, style)
    number = "" if item.number is None else item.number
    line: list[object] = [item.place, number, item.filter_number, item.filter_type, item.section]
    line += [repr(float(v)) for v in held]
    return line if style.floating else [*line, *hexadecimal(values, style)]


def _must_fit(values: NDArray[np.float64], style: NumberFormat, item: PlacedSection) -> None:
    if style.floating:
        return
    limit = 2.0 ** (style.integer_bits - 1)
    if np.any(values < -limit) or np.any(values > limit - style.step / 2):
        raise ValueError(
            f"{item.place}, filter {item.filter_number}: the coefficient "
            f"{values[np.argmax(np.abs(values))]:.6g} does not fit the format {style.name}, which "
            f"reaches from {-limit:g} to just below {limit:g}; take one with more integer bits"
        )
