"""Reading and writing tuning.json; its form is shown in the developers' guide.

Reading collects every fault, each with the path of its key, such as
outputs[2].filters[0].q.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from roomtune.errors import RoomtuneError
from roomtune.processor.parsing import parse_tuning
from roomtune.processor.tuning import Filter, Limiter, Tuning
from roomtune.signal.json_text import parsed_json

FORMAT = "roomtune tuning"
VERSION = 1
_FILTER_KEYS = ("type", "family", "order", "frequency_hz", "q", "gain_db", "b", "a", "taps")


def tuning_to_json(tuning: Tuning) -> str:
    """The text of tuning.json. Numbers are written in full: reading gives the same tuning."""
    data: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "sample_rate_hz": _whole(tuning.sample_rate_hz),
    }
    if tuning.number_format != "float64":
        data["number_format"] = tuning.number_format
    data["channels"] = [_fields(c, ("name", "gain_db", "filters")) for c in tuning.channels]
    way = ("gain_db", "inverted", "delay_ms", "filters")
    data["routes"] = [_fields(r, ("channel", "output", *way)) for r in tuning.routes]
    data["outputs"] = [_fields(o, ("name", "number", *way, "limiter")) for o in tuning.outputs]
    return _pretty(data) + "\n"


def tuning_from_json(text: str, where: str = "tuning.json", folder: Path | None = None) -> Tuning:
    """The tuning of a tuning.json text.

    `where` names the file in errors; names of WAV files with taps are looked up
    in `folder`. Raises RoomtuneError that lists every fault with its path.
    """
    try:
        data = parsed_json(text)
    except json.JSONDecodeError as fault:
        raise RoomtuneError(
            f"{where}, line {fault.lineno}, column {fault.colno}: this is not JSON ({fault.msg}). "
            "Mend that place, or write the file anew with `roomtune advise`."
        ) from None
    except (RecursionError, ValueError) as fault:
        raise RoomtuneError(f"{where}: this is no tuning: {fault}") from None
    return parse_tuning(data, where, folder)


def read_tuning(path: str | os.PathLike[str]) -> Tuning:
    """Read a tuning.json file; RoomtuneError says what is wrong with it and where."""
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise RoomtuneError(
            f"{file}: there is no such tuning. `roomtune advise` writes one."
        ) from None
    except (OSError, UnicodeDecodeError) as fault:
        raise RoomtuneError(f"{file}: cannot be read as text: {fault}") from None
    return tuning_from_json(text, str(file), file.parent)


def write_tuning(path: str | os.PathLike[str], tuning: Tuning) -> None:
    """Write a tuning.json file whole or not at all (temporary name, flush, rename).

    Raises RoomtuneError when the file system refuses.
    """
    file = Path(path)
    temporary = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        with temporary.open("w", encoding="utf-8") as stream:
            stream.write(tuning_to_json(tuning))
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(file)
    except OSError as fault:
        temporary.unlink(missing_ok=True)
        raise RoomtuneError(f"{file}: cannot be written: {fault.strerror or fault}") from None


def _whole(value: float) -> float:
    """The value as an integer where it is one, as people write it."""
    return int(value) if float(value).is_integer() else value


def _fields(item: Any, keys: tuple[str, ...]) -> dict[str, Any]:
    """The named fields in order; a limiter only where there is one."""
    return {key: _plain(getattr(item, key)) for key in keys if getattr(item, key) is not None}


def _plain(value: Any) -> Any:
    if isinstance(value, Filter):
        return _fields(value, _FILTER_KEYS)
    if isinstance(value, Limiter):
        return _fields(value, ("threshold_dbfs", "attack_ms", "release_ms"))
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    return value


def _pretty(data: dict[str, Any]) -> str:
    """JSON with one line for each filter and each plain value, as a person would lay it out."""
    lines = [f'  "{key}": {_block(value, 2)}' for key, value in data.items()]
    return "{\n" + ",\n".join(lines) + "\n}"


def _block(value: Any, indent: int) -> str:
    flat = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if len(flat) + indent <= 98 or not isinstance(value, list | dict):
        return flat
    inner = " " * (indent + 2)
    if isinstance(value, list) and not isinstance(value[0], list | dict):
        return flat
    if isinstance(value, list):
        parts = [inner + _block(part, indent + 2) for part in value]
        return "[\n" + ",\n".join(parts) + "\n" + " " * indent + "]"
    parts = [f'{inner}"{key}": {_block(part, indent + 2)}' for key, part in value.items()]
    return "{\n" + ",\n".join(parts) + "\n" + " " * indent + "}"
