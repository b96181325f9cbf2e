"""Biquad coefficients of a tuning as tables: either sign convention, any number format.

Every recursive filter becomes second-order sections, normalised so that
a0 = 1, in the order of the cascade: filters as they stand in the tuning, the
sections of a crossover lowest Q first. One section computes

    y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]   ("subtracted")
    y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] + a1 y[n-1] + a2 y[n-2]   ("added")

so that "added" has a1 and a2 with the opposite sign.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import RoomtuneError
from roomtune.processor.filters import filter_sections
from roomtune.processor.number_format import hexadecimal, number_format, quantised
from roomtune.processor.precision import better_sections
from roomtune.processor.tuning import Filter, Tuning

COEFFICIENTS = ("b0", "b1", "b2", "a1", "a2")
DESCRIPTIONS = ("part", "name", "number", "filter", "type", "section")
_PLACES = {"b0": 0, "b1": 1, "b2": 2, "a1": 4, "a2": 5}


@dataclass(frozen=True)
class CoefficientStyle:
    """How a device wants its coefficients.

    number_format: "float64", "float32" or fixed point such as "5.23"; fixed
    point is written as hexadecimal words. feedback: the sign convention.
    columns: of the table, any order of the five coefficients and what
    describes them ("part", "name", "number", "filter", "type", "section").
    halved_middle: b1 and a1 are stored halved, as formats of one integer bit
    need. best_words: choose among neighbouring words those with the least
    error of level, not the nearest.
    """

    number_format: str = "float64"
    feedback: Literal["subtracted", "added"] = "subtracted"
    columns: tuple[str, ...] = (*DESCRIPTIONS, *COEFFICIENTS)
    halved_middle: bool = False
    best_words: bool = False


@dataclass(frozen=True)
class SectionRow:
    """One section: where it stands, and its coefficients.

    part: "channel", "route" or "output"; name: of the channel or output, or
    "channel > output" of a route; number: of the output on the amplifier, else
    empty. filter, section: counted from 1 in the part and in the filter.
    values: b0 b1 b2 a1 a2 as held, in the style's sign convention and halving;
    texts: the same as they are written.
    """

    part: str
    name: str
    number: int | str
    filter: int
    type: str
    section: int
    values: tuple[float, ...]
    texts: tuple[str, ...]

    def cell(self, column: str) -> object:
        """What stands in a column of the table."""
        if column in COEFFICIENTS:
            return self.texts[COEFFICIENTS.index(column)]
        return getattr(self, column)


def section_rows(
    tuning: Tuning, style: CoefficientStyle = CoefficientStyle()
) -> tuple[SectionRow, ...]:
    """All sections of a tuning: channels, routes, then outputs by their number.

    FIR filters have none and are left out. Raises RoomtuneError when a
    coefficient does not fit the format, ValueError for an unknown style.
    """
    check_style(style)
    return tuple(
        _row(place, number, item, section, coefficients, style)
        for place, filters in _parts(tuning)
        for number, item in enumerate(filters, start=1)
        for section, coefficients in enumerate(_sections(item, tuning, style), start=1)
    )


def coefficients_csv(tuning: Tuning, style: CoefficientStyle = CoefficientStyle()) -> str:
    """The sections as CSV: comment lines with # that state the convention, then the table."""
    text = io.StringIO()
    for line in _preamble(tuning, style):
        text.write(f"# {line}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(style.columns)
    for row in section_rows(tuning, style):
        writer.writerow([row.cell(column) for column in style.columns])
    return text.getvalue()


def check_style(style: CoefficientStyle) -> None:
    """Raise ValueError, naming the field, unless the style can be followed."""
    number_format(style.number_format)
    if style.feedback not in ("subtracted", "added"):
        raise ValueError(f'feedback: got {style.feedback!r}, expected "subtracted" or "added"')
    given = list(style.columns)
    unknown = [c for c in given if c not in (*DESCRIPTIONS, *COEFFICIENTS)]
    if unknown:
        known = ", ".join((*DESCRIPTIONS, *COEFFICIENTS))
        raise ValueError(f"columns: got {unknown[0]!r}, expected some of {known}")
    if sorted(c for c in given if c in COEFFICIENTS) != sorted(COEFFICIENTS):
        raise ValueError(f"columns: got {given}, expected b0 b1 b2 a1 a2 once each")
    if style.best_words and style.halved_middle:
        raise ValueError("best_words: cannot be combined with halved_middle")


_Place = tuple[str, str, int | str]


def _parts(tuning: Tuning) -> Iterator[tuple[_Place, tuple[Filter, ...]]]:
    """Part, name and number of everything that has filters."""
    for channel in tuning.channels:
        yield ("channel", channel.name, ""), channel.filters
    for route in tuning.routes:
        yield ("route", f"{route.channel} > {route.output}", ""), route.filters
    for output in sorted(tuning.outputs, key=lambda o: o.number):
        yield ("output", output.name, output.number), output.filters


def _sections(item: Filter, tuning: Tuning, style: CoefficientStyle) -> NDArray[np.float64]:
    """Sections before the sign convention; already words of the format where best ones are."""
    if style.best_words and item.type != "fir" and style.number_format != "float64":
        return better_sections(item, tuning.sample_rate_hz, style.number_format)
    return filter_sections(item, tuning.sample_rate_hz)


def _factor(name: str, style: CoefficientStyle) -> float:
    """What a coefficient is multiplied by before it is written."""
    sign = -1.0 if style.feedback == "added" and name in ("a1", "a2") else 1.0
    return sign * (0.5 if style.halved_middle and name in ("b1", "a1") else 1.0)


def _row(
    place: _Place,
    number: int,
    item: Filter,
    section: int,
    coefficients: NDArray[np.float64],
    style: CoefficientStyle,
) -> SectionRow:
    part, name, output_number = place
    parsed = number_format(style.number_format)
    wanted = [float(coefficients[_PLACES[c]]) * _factor(c, style) for c in COEFFICIENTS]
    held = quantised(wanted, parsed)
    if not parsed.floating and np.any(np.abs(held - wanted) > parsed.step):
        worst = max(wanted, key=abs)
        raise RoomtuneError(
            f"{part} {name}, filter {number} ({item.type}): a coefficient of {worst:.4g} "
            f"does not fit the format {style.number_format}; use one with more integer bits"
        )
    # + 0.0 turns a negative zero into a plain one.
    values = tuple(float(value) + 0.0 for value in held)
    texts = tuple(map(repr, values)) if parsed.floating else hexadecimal(values, parsed)
    return SectionRow(part, name, output_number, number, item.type, section, values, texts)


def _preamble(tuning: Tuning, style: CoefficientStyle) -> Iterator[str]:
    sign = "-" if style.feedback == "subtracted" else "+"
    yield f"second-order sections at {tuning.sample_rate_hz:g} Hz, normalised to a0 = 1"
    yield (
        f"y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] {sign} a1 y[n-1] {sign} a2 y[n-2]"
        "; sections in cascade, in this order"
    )
    parsed = number_format(style.number_format)
    if parsed.floating:
        yield f"number format {style.number_format}"
    else:
        yield (
            f"number format {style.number_format}: {parsed.integer_bits} integer bits with the "
            f"sign, {parsed.fraction_bits} fraction bits, two's complement, hexadecimal"
        )
    if style.halved_middle:
        yield "b1 and a1 are stored halved"
    yield "gains, polarities and delays are not part of the sections"
