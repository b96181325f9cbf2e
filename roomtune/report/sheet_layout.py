"""A processor's own order of columns for the settings table, from a small TOML file.

# my-processor.toml
columns = ["place", "filter number", "filter type", "frequency (Hz)", "gain (dB)", "Q"]
separator = ";"
decimal_comma = true

[names]                      # what the columns are called there
"frequency (Hz)" = "f"

[words]                      # what values are called there
"peaking" = "parametric"
"""

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from roomtune.errors import RoomtuneError
from roomtune.processor.tuning import Tuning
from roomtune.report.settings_sheet import COLUMNS, settings_sheet, sheet_rows
from roomtune.system.model import System

_NUMBERS = ("frequency (Hz)", "Q", "gain (dB)", "value")


@dataclass(frozen=True)
class SheetLayout:
    """Columns in order, their names, the words for values, and how numbers are written."""

    columns: tuple[str, ...] = COLUMNS
    separator: str = ","
    decimal_comma: bool = False
    names: dict[str, str] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)


def read_layout(path: Path) -> SheetLayout:
    """Read a layout file; RoomtuneError that names the file and what is wrong in it."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RoomtuneError(f"{path}: cannot be read as TOML ({error})") from error
    kinds = {"columns": list, "separator": str, "decimal_comma": bool, "names": dict, "words": dict}
    for key, value in data.items():
        if key not in kinds:
            raise RoomtuneError(f"{path}: unknown key {key!r}; known are {', '.join(kinds)}")
        if not isinstance(value, kinds[key]):
            raise RoomtuneError(f"{path}: {key} must be a {kinds[key].__name__}, got {value!r}")
    for name in [*data.get("columns", ()), *data.get("names", ())]:
        if name not in COLUMNS:
            raise RoomtuneError(
                f"{path}: unknown column {name!r}; known are {', '.join(map(repr, COLUMNS))}"
            )
    if len(data.get("separator", ",")) != 1:
        raise RoomtuneError(f"{path}: separator must be one character, got {data['separator']!r}")
    columns = tuple(data.get("columns", COLUMNS))
    return SheetLayout(columns, **{k: v for k, v in data.items() if k != "columns"})


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
