"""What a view of a session is made of: tables to read, curves to keep, figures to draw.

One set of values serves the screen, JSON, CSV and the figures. Keys hold their
unit (`arrival_ms`, `level_db`) and do not change: programs read them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from textwrap import wrap
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomtune.report.plots import Plot
from roomtune.report.surfaces import Stems, Surface

WIDTH = 80
Real = NDArray[np.float64]
Cell = float | int | str | bool | Sequence[int] | None


@dataclass(frozen=True)
class Column:
    """One column of a table.

    key: its name in JSON and CSV, with the unit, "" for the screen alone;
    heading: what stands above it on the screen, None to keep it off; digits:
    after the point; bracketed: which cells stand in brackets, as a check failed.
    """

    key: str
    heading: str | None
    cells: Sequence[Cell]
    digits: int = 1
    bracketed: Sequence[bool] = ()

    @property
    def texts(self) -> list[str]:
        """The cells as printed: a question mark for what could not be told."""
        marks = self.bracketed or [False] * len(self.cells)
        shown = [_text(cell, self.digits) for cell in self.cells]
        return [
            f"({text})" if mark and text != "?" else text
            for text, mark in zip(shown, marks, strict=True)
        ]

    @property
    def plain(self) -> list[Any]:
        """The cells as JSON holds them: None for what could not be told."""
        return [_plain(cell) for cell in self.cells]


@dataclass(frozen=True)
class Sheet:
    """A table: the key of its rows in JSON, a title, columns of one length, remarks below."""

    key: str
    title: str
    columns: tuple[Column, ...]
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if len({len(column.cells) for column in self.columns}) > 1:
            raise ValueError(f"columns of different lengths in {self.key}")

    @property
    def headings(self) -> list[str]:
        """The headings of the columns that are shown."""
        return [column.heading for column in self.columns if column.heading is not None]

    @property
    def lines(self) -> list[tuple[str, ...]]:
        """The rows as printed, shown columns only."""
        shown = [column.texts for column in self.columns if column.heading is not None]
        return list(zip(*shown, strict=True))

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The rows as JSON holds them, every column that has a key."""
        kept = [column for column in self.columns if column.key]
        cells = zip(*(column.plain for column in kept), strict=True)
        return [dict(zip(self.keys, row, strict=True)) for row in cells]

    @property
    def keys(self) -> list[str]:
        """The keys of the columns that JSON and CSV hold."""
        return [column.key for column in self.columns if column.key]


@dataclass(frozen=True, eq=False)
class Curve:
    """One curve or surface over the axes: of an output, at a seat ("" for all of them).

    `quantity` names it with its unit; values: one axis per axis of the curves.
    """

    output: str
    seat: str
    quantity: str
    values: Real

    @property
    def name(self) -> str:
        """Its heading in a file: what it is of, and the quantity with its unit."""
        place = [self.output, f"at {self.seat}" if self.seat else ""]
        return ": ".join(filter(None, [" ".join(filter(None, place)), self.quantity]))


@dataclass(frozen=True, eq=False)
class Curves:
    """Curves on common axes; axes: their keys (with units) and values, slowest first."""

    axes: tuple[tuple[str, Real], ...]
    curves: tuple[Curve, ...]

    def __post_init__(self) -> None:
        shape = tuple(len(values) for _, values in self.axes)
        for curve in self.curves:
            if curve.values.shape != shape:
                raise ValueError(f"{curve.name} has the shape {curve.values.shape}, not {shape}")


@dataclass(frozen=True, eq=False)
class View:
    """One view of a session.

    look_for: a plain sentence on what to look for. sheets: for the screen and
    JSON; curves: in full, for JSON and CSV (without them the first sheet is
    what CSV gets); figures: drawn one below the other; facts: single values for
    JSON, by their group; sentences: printed below the tables.
    """

    title: str
    look_for: str
    sheets: tuple[Sheet, ...]
    curves: Curves | None = None
    figures: tuple[Plot | Surface | Stems, ...] = ()
    facts: Mapping[str, Mapping[str, Cell]] = field(default_factory=dict)
    sentences: tuple[str, ...] = ()


def as_lines(sheet: Sheet, width: int = WIDTH) -> list[str]:
    """A table as text: title, headings, rows; numbers right, the first column left.

    Columns stand two blanks apart, or one where the table would be wider than
    `width`. Remarks follow, wrapped.
    """
    rows = [tuple(sheet.headings), *sheet.lines]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    gap = "  " if sum(widths) + 2 * (len(widths) - 1) <= width else " "
    lines = [sheet.title]
    for row in rows:
        cells = [
            cell.ljust(wide) if place == 0 else cell.rjust(wide)
            for place, (cell, wide) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append(gap.join(cells).rstrip())
    for remark in sheet.remarks:
        lines += wrap(remark, width)
    return lines


def as_plain(view: View) -> dict[str, Any]:
    """A view as JSON: the rows of every sheet by its key, and the curves by their axes.

    Sheets of one key are one list. A number that could not be told is None.
    """
    plain: dict[str, Any] = {"title": view.title, "look_for": view.look_for}
    for group, facts in view.facts.items():
        plain[group] = {key: _plain(value) for key, value in facts.items()}
    for sheet in view.sheets:
        plain.setdefault(sheet.key, []).extend(sheet.rows)
    if view.curves is not None:
        plain["curves"] = {key: _plain_array(values) for key, values in view.curves.axes}
        plain["curves"]["lines"] = [
            {
                "output": curve.output,
                "seat": curve.seat,
                "quantity": curve.quantity,
                "values": _plain_array(curve.values),
            }
            for curve in view.curves.curves
        ]
    return plain


def as_table(view: View) -> list[list[Any]]:
    """A view as rows of one table, headings first; every digit kept, None where unknown.

    Of curves: their axes first, then one column per curve. Else the sheets that
    share the first one's columns, one below the other.
    """
    if view.curves is None:
        keys = view.sheets[0].keys
        alike = [sheet for sheet in view.sheets if sheet.keys == keys]
        return [keys, *(list(row.values()) for sheet in alike for row in sheet.rows)]
    curves = view.curves
    heads = [key for key, _ in curves.axes] + [curve.name for curve in curves.curves]
    places = product(*(_plain_array(values) for _, values in curves.axes))
    columns = [_plain_array(curve.values.ravel()) for curve in curves.curves]
    return [
        heads,
        *([*place, *row] for place, row in zip(places, zip(*columns, strict=True), strict=True)),
    ]


def _text(cell: Cell, digits: int) -> str:
    if cell is None:
        return "?"
    if isinstance(cell, bool | np.bool_):
        return "yes" if cell else "no"
    if isinstance(cell, str):
        return cell
    if isinstance(cell, Sequence):
        return " ".join(map(str, cell))
    return f"{round(cell, digits) + 0.0:.{digits}f}" if math.isfinite(cell) else "?"


def _plain(cell: Cell) -> Any:
    if isinstance(cell, np.generic):
        cell = cell.item()
    if isinstance(cell, float) and not math.isfinite(cell):
        return None
    if cell is None or isinstance(cell, bool | int | float | str):
        return cell
    return [int(item) for item in cell]


def _plain_array(values: Real) -> list[Any]:
    plain = np.asarray(values, dtype=object)
    plain[~np.isfinite(values)] = None
    return list(plain.tolist())
