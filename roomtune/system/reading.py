"""Reading system.toml: every fault at once, each with its line."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

from pydantic import BaseModel

from roomtune.errors import RoomtuneError
from roomtune.system.checking import cross_faults
from roomtune.system.draft import Draft
from roomtune.system.faults import Fault, Path, error, shown
from roomtune.system.lines import key_lines
from roomtune.system.model import (
    AudioSettings,
    Channel,
    Loudspeaker,
    Microphone,
    Output,
    Processor,
    Seat,
    System,
    Target,
    Wishes,
)
from roomtune.system.parts import parse_part, unknown_key

_DEEPEST, _LARGEST = 20, 10**300
_LISTS: dict[str, type[BaseModel]] = {
    "channels": Channel,
    "loudspeakers": Loudspeaker,
    "outputs": Output,
    "seats": Seat,
}
_TABLES: dict[str, type[BaseModel]] = {
    "microphone": Microphone,
    "audio": AudioSettings,
    "processor": Processor,
    "target": Target,
    "wishes": Wishes,
}


class _Rest(BaseModel, frozen=True, allow_inf_nan=False):
    """The keys outside all tables."""

    name: str
    room_size_m: tuple[float, float, float] | None = None


def read_system(path: str | os.PathLike[str], folder: FilePath | None = None) -> System:
    """Read and check a system.toml.

    Files that it names are looked up beside it (or in `folder`) and come back
    as full paths. Raises RoomtuneError that lists all faults with their lines.
    """
    file = FilePath(path)
    try:
        text = file.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise RoomtuneError(
            f"{file}: there is no such file. `roomtune new` writes one to fill in."
        ) from None
    except UnicodeDecodeError as fault:
        line = fault.object[: fault.start].count(b"\n") + 1
        raise RoomtuneError(
            f"{file}, line {line}: this is not UTF-8 text; save the file as UTF-8."
        ) from None
    except OSError as fault:
        raise RoomtuneError(f"{file}: cannot be read: {fault.strerror or fault}") from None
    return system_from_toml(text, str(file), folder or file.parent)


def system_from_toml(
    text: str, where: str = "system.toml", folder: FilePath | None = None
) -> System:
    """The system that a TOML text describes; errors call it `where` (see `read_system`)."""
    data = _parsed(text, where)
    lines = key_lines(text.replace("\r\n", "\n"))
    faults: list[Fault] = [
        Fault((key,), unknown_key(key, list(System.model_fields)))
        for key in data
        if key not in System.model_fields
    ]
    rest, found = parse_part(_Rest, {k: data[k] for k in _Rest.model_fields if k in data}, ())
    draft, more = _draft(data)
    faults += found + more + cross_faults(draft)
    files, missing = _files(draft, folder or FilePath())
    faults += missing
    if faults:
        raise error(where, faults, lines, data)
    parts: dict[str, Any] = {kind: getattr(draft, kind) for kind in _LISTS}
    parts |= {kind: getattr(draft, kind) for kind in _TABLES} | files
    return System(name=rest.name, room_size_m=rest.room_size_m, **parts)


def _parsed(text: str, where: str) -> dict[str, Any]:
    too_deep = f"{where}: brackets are nested too deep; nothing here needs more than three."
    too_long = f"{where}: one number has far too many digits; nothing here needs more than ten."
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise _syntax_error(text, where, str(fault)) from None
    except RecursionError:
        raise RoomtuneError(too_deep) from None
    except ValueError:
        raise RoomtuneError(too_long) from None
    level: list[Any] = [data]
    for _ in range(_DEEPEST):
        if any(isinstance(item, int) and abs(item) > _LARGEST for item in level):
            raise RoomtuneError(too_long)
        level = [part for item in level if isinstance(item, dict | list) for part in _inside(item)]
    if level:
        raise RoomtuneError(too_deep)
    return data


def _inside(item: dict[str, Any] | list[Any]) -> list[Any]:
    return list(item.values()) if isinstance(item, dict) else item


def _syntax_error(text: str, where: str, message: str) -> RoomtuneError:
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    position, row = "", ""
    if place and place[1]:
        position = f", line {place[1]}, column {place[2]}"
        row = text.split("\n")[int(place[1]) - 1].strip()
    elif place:
        position = " at its end"
    reason = message[: place.start()] if place else message
    shown_row = f" in `{row[:70]}`" if row else ""
    return RoomtuneError(
        f"{where}{position}: this is not TOML: {reason[:1].lower()}{reason[1:]}{shown_row}. "
        'Texts need "quotes", a decimal point is a dot, each key stands once on its own line.'
    )


def _draft(data: Mapping[str, Any]) -> tuple[Draft, list[Fault]]:
    """The parts that are sound by themselves, and the faults of the others."""
    parts: dict[str, Any] = {"names": {}, "complete": {}}
    faults: list[Fault] = []
    for kind, model in _LISTS.items():
        items = data.get(kind, [])
        if not (isinstance(items, list) and all(isinstance(item, dict) for item in items)):
            faults.append(Fault((kind,), f"got {shown(items)}, expected tables headed [[{kind}]]"))
            parts["complete"][kind] = False
            continue
        read = [parse_part(model, item, (kind, place)) for place, item in enumerate(items)]
        parts[kind] = tuple(part for part, _ in read)
        parts["names"][kind] = [i["name"] for i in items if isinstance(i.get("name"), str)]
        parts["complete"][kind] = not any(found for _, found in read)
        faults += [fault for _, found in read for fault in found]
    for kind, model in _TABLES.items():
        item = data.get(kind, {})
        if not isinstance(item, dict):
            faults.append(Fault((kind,), f"got {shown(item)}, expected a table headed [{kind}]"))
            item = {}
        parts[kind], found = parse_part(model, item, (kind,))
        faults += found
    return Draft(**parts), faults


def _files(draft: Draft, folder: FilePath) -> tuple[dict[str, Any], list[Fault]]:
    """Parts with full paths in place of the files' names, and the files that are missing."""
    parts: dict[str, Any] = {}
    faults = []
    for kind, key in (("microphone", "correction_file"), ("target", "curve_file")):
        part = getattr(draft, kind)
        name = getattr(part, key, None)
        if name is None:
            continue
        path: Path = (kind, key)
        file = (folder / name).absolute()
        if _is_file(file):
            parts[kind] = part.model_copy(update={key: str(file)})
        else:
            faults.append(
                Fault(path, f"there is no file {shown(name)} in {folder.absolute()}; put it there")
            )
    return parts, faults


def _is_file(file: FilePath) -> bool:
    try:
        return file.is_file()
    except (OSError, ValueError):
        return False
