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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import RoomtuneError
from roomtune.processor.filters import filter_sections
from roomtune.processor.number_format import NumberFormat, hexadecimal, number_format, quantised
from roomtune.processor.precision import better_sections
from roomtune.processor.tuning import Filter, Tuning

Coefficient = Literal["b0", "b1", "b2", "a1", "a2"]
_PLACES = {"b0": 0, "b1": 1, "b2": 2, "a1": 4, "a2": 5}


@dataclass(frozen=True)
class CoefficientStyle:
    """How a device wants its coefficients.

    number_format: "float64", "float32" or fixed point such as "5.23"; fixed
    point is written as hexadecimal words. feedback: the sign convention.
    columns: order of the coefficients. halved_middle: b1 and a1 are stored
    halved, as formats of one integer bit need. best_words: choose among
    neighbouring words those with the least error of level, not the nearest.
    """

    number_format: str = "float64"
    feedback: Literal["subtracted", "added"] = "subtracted"
    columns: tuple[Coefficient, ...] = ("b0", "b1", "b2", "a1", "a2")
    halved_middle: bool = False
    best_words: bool = False


@dataclass(frozen=True)
class SectionRow:
    """One section: where it stands, and its coefficients in the style's columns.

    part: "channel", "route" or "output"; name: of the channel or output, or
    "channel > output" of a route. filter, section: counted from 1 in the part
    and in the filter. values: as held, in the style's sign convention and
    halving; texts: the same as they are written.
    """

    part: str
    name: str
    filter: int
    kind: str
    section: int
    values: tuple[float, ...]
    texts: tuple[str, ...]


def section_rows(
    tuning: Tuning, style: CoefficientStyle = CoefficientStyle()
) -> tuple[SectionRow, ...]:
    """All sections of a tuning in order of channels, routes and outputs.

    FIR filters have none and are left out. Raises RoomtuneError when a
    coefficient does not fit the format, ValueError for an unknown style.
    """
    parsed = _checked(style)
    return tuple(
        _row(part, name, number, item, section, coefficients, style, parsed)
        for part, name, filters in _parts(tuning)
        for number, item in enumerate(filters, start=1)
        for section, coefficients in enumerate(_sections(item, tuning, style), start=1)
    )


def coefficients_csv(tuning: Tuning, style: CoefficientStyle = CoefficientStyle()) -> str:
    """The sections as CSV: comment lines with # that state the convention, then the table."""
    text = io.StringIO()
    for line in _preamble(tuning, style):
        text.write(f"# {line}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["part", "name", "filter", "type", "section", *style.columns])
    for row in section_rows(tuning, style):
        writer.writerow([row.part, row.name, row.filter, row.kind, row.section, *row.texts])
    return text.getvalue()


def standard_sections(rows: Sequence[SectionRow], style: CoefficientStyle) -> NDArray[np.float64]:
    """Rows back as b0 b1 b2 a0 a1 a2 with the textbook sign, shape (rows, 6)."""
    sections = np.zeros((len(rows), 6))
    sections[:, 3] = 1
    for place, row in enumerate(rows):
        for name, value in zip(style.columns, row.values, strict=True):
            sections[place, _PLACES[name]] = value / _factor(name, style)
    return sections


def _checked(style: CoefficientStyle) -> NumberFormat:
    if sorted(style.columns) != sorted(_PLACES):
        raise ValueError(f"columns {style.columns}: expected b0 b1 b2 a1 a2 once each")
    if style.feedback not in ("subtracted", "added"):
        raise ValueError(f'feedback {style.feedback!r}: expected "subtracted" or "added"')
    return number_format(style.number_format)


def _parts(tuning: Tuning) -> Iterator[tuple[str, str, tuple[Filter, ...]]]:
    for channel in tuning.channels:
        yield "channel", channel.name, channel.filters
    for route in tuning.routes:
        yield "route", f"{route.channel} > {route.output}", route.filters
    for output in tuning.outputs:
        yield "output", output.name, output.filters


def _sections(item: Filter, tuning: Tuning, style: CoefficientStyle) -> NDArray[np.float64]:
    """Sections before the sign convention; already words of the format where best ones are."""
    if style.best_words and item.type != "fir" and style.number_format != "float64":
        if style.halved_middle:
            raise ValueError("best_words cannot be combined with halved_middle")
        return better_sections(item, tuning.sample_rate_hz, style.number_format)
    return filter_sections(item, tuning.sample_rate_hz)


def _factor(name: str, style: CoefficientStyle) -> float:
    """What a coefficient is multiplied by before it is written."""
    sign = -1.0 if style.feedback == "added" and name in ("a1", "a2") else 1.0
    return sign * (0.5 if style.halved_middle and name in ("b1", "a1") else 1.0)


def _row(
    part: str,
    name: str,
    number: int,
    item: Filter,
    section: int,
    coefficients: NDArray[np.float64],
    style: CoefficientStyle,
    parsed: NumberFormat,
) -> SectionRow:
    wanted = [float(coefficients[_PLACES[c]]) * _factor(c, style) for c in style.columns]
    held = quantised(wanted, parsed)
    if not parsed.floating and np.any(np.abs(held - wanted) > parsed.step):
        worst = max(wanted, key=abs)
        raise RoomtuneError(
            f"{part} {name}, filter {number} ({item.type}): a coefficient of {worst:.4g} does not "
            f"fit the format {style.number_format}; use one with more integer bits"
        )
    # + 0.0 turns a negative zero into a plain one.
    values = tuple(float(value) + 0.0 for value in held)
    texts = tuple(map(repr, values)) if parsed.floating else hexadecimal(values, parsed)
    return SectionRow(part, name, number, item.type, section, values, texts)


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
