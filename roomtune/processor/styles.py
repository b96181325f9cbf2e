"""A device's own way of taking coefficients, described by a small TOML file.

    number_format = "5.23"        # or "float64", "float32"
    feedback = "added"            # or "subtracted"
    columns = ["name", "section", "b0", "b1", "b2", "a1", "a2"]
    halved_middle = false
    best_words = true

Every key may be left out: see `CoefficientStyle`.
"""

from __future__ import annotations

import difflib
import os
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

from roomtune.errors import RoomtuneError
from roomtune.processor.exporting import CoefficientStyle, check_style

_KINDS = {"number_format": str, "feedback": str, "halved_middle": bool, "best_words": bool}
_NAMES = {str: "a text", bool: "true or false"}


def read_style(path: str | os.PathLike[str]) -> CoefficientStyle:
    """Read a style; RoomtuneError names the file, the key, and what was expected."""
    file = Path(path)
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise RoomtuneError(f"{file}: there is no such file") from None
    except (OSError, ValueError, RecursionError) as fault:
        raise RoomtuneError(f"{file}: cannot be read as TOML: {fault}") from None
    try:
        style = CoefficientStyle(**{key: _value(key, value) for key, value in data.items()})
        check_style(style)
    except ValueError as fault:
        raise RoomtuneError(f"{file}: {fault}") from None
    return style


def _value(key: str, value: Any) -> Any:
    known = [field.name for field in fields(CoefficientStyle)]
    if key not in known:
        close = difflib.get_close_matches(key.lower(), known, 1)
        hint = f"did you mean {close[0]!r}?" if close else f"known are {', '.join(known)}"
        raise ValueError(f"{key}: unknown key; {hint}")
    if key == "columns":
        if not (isinstance(value, list) and all(isinstance(part, str) for part in value)):
            raise ValueError(f"columns: got {value!r}, expected a list of texts")
        return tuple(value)
    if not isinstance(value, _KINDS[key]):
        raise ValueError(f"{key}: got {value!r}, expected {_NAMES[_KINDS[key]]}")
    return value
