"""A processor's own order of columns for its tables, from a small TOML file.

# my-processor.toml
columns = ["place", "filter number", "filter type", "frequency (Hz)", "gain (dB)", "Q"]
separator = ";"
decimal_comma = true

[names]                      # what the columns are called there
"frequency (Hz)" = "f"

[words]                      # what values are called there
"peaking" = "parametric"

[biquads]                    # how it wants coefficients, in cascaded order
columns = ["number", "section", "b0", "b1", "b2", "a1", "a2"]
number_format = "5.23"       # fixed point: hexadecimal words
feedback = "added"
"""

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from roomtune.errors import RoomtuneError
from roomtune.processor.exporting import COEFFICIENTS, DESCRIPTIONS, CoefficientStyle
from roomtune.processor.tuning import Tuning
from roomtune.report.settings_sheet import COLUMNS, settings_sheet, sheet_rows
from roomtune.system.model import System

_KINDS: dict[str, type] = {
    "columns": list,
    "separator": str,
    "decimal_comma": bool,
    "names": dict,
    "words": dict,
    "biquads": dict,
}
_BIQUAD_KINDS: dict[str, type] = {
    "columns": list,
    "number_format": str,
    "feedback": str,
    "halved_middle": bool,
    "best_words": bool,
}
_NUMBERS = ("frequency (Hz)", "Q", "bandwidth (octaves)", "gain (dB)", "value")


@dataclass(frozen=True)
class SheetLayout:
    """Columns in order, their names, the words for values, and how numbers are written."""

    columns: tuple[str, ...] = COLUMNS
    separator: str = ","
    decimal_comma: bool = False
    names: dict[str, str] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    biquads: CoefficientStyle = field(default_factory=CoefficientStyle)


def read_layout(path: Path) -> SheetLayout:
    """Read a layout file; RoomtuneError that names the file and what is wrong in it."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise RoomtuneError(f"{path}: cannot be read as TOML ({error})") from error
    _checked(path, data, _KINDS)
    for name in [*data.get("columns", ()), *data.get("names", ())]:
        _known(path, name, COLUMNS)
    if len(data.get("separator", ",")) != 1:
        raise RoomtuneError(f"{path}: separator must be one character, got {data['separator']!r}")
    columns = tuple(data.get("columns", COLUMNS))
    rest = {k: v for k, v in data.items() if k not in ("columns", "biquads")}
    return SheetLayout(columns, **rest, biquads=_style(path, data.get("biquads", {})))


def _style(path: Path, data: dict[str, Any]) -> CoefficientStyle:
    _checked(path, data, _BIQUAD_KINDS)
    for name in data.get("columns", ()):
        _known(path, name, (*DESCRIPTIONS, *COEFFICIENTS))
    if data.get("feedback", "added") not in ("added", "subtracted"):
        raise RoomtuneError(
            f"{path}: feedback must be 'added' or 'subtracted', got {data['feedback']!r}"
        )
    plain: dict[str, Any] = {k: tuple(v) if k == "columns" else v for k, v in data.items()}
    return CoefficientStyle(**plain)


def _checked(path: Path, data: dict[str, Any], kinds: dict[str, type]) -> None:
    for key, value in data.items():
        if key not in kinds:
            raise RoomtuneError(f"{path}: unknown key {key!r}; known are {', '.join(kinds)}")
        if not isinstance(value, kinds[key]):
            raise RoomtuneError(f"{path}: {key} must be a {kinds[key].__name__}, got {value!r}")


def _known(path: Path, name: object, columns: tuple[str, ...]) -> None:
    if name not in columns:
        raise RoomtuneError(
            f"{path}: unknown column {name!r}; known are {', '.join(map(repr, columns))}"
        )


def table_text(tuning: Tuning, system: System, layout: SheetLayout) -> str:
    """The settings sheet as a table in that layout."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=layout.separator, lineterminator="\n")
    writer.writerow([layout.names.get(column, column) for column in layout.columns])
    for row in sheet_rows(settings_sheet(tuning, system)):
        writer.writerow([_cell(row[column], column, layout) for column in layout.columns])
    return text.getvalue()


def _cell(text: str, column: str, layout: SheetLayout) -> str:
    if layout.decimal_comma and column in _NUMBERS:
        text = text.replace(".", ",")
    return layout.words.get(text, text)
