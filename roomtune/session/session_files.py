"""The files of a session folder: finding, claiming, copying along, tidying."""

from __future__ import annotations

import os
import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from roomtune.errors import RoomtuneError
from roomtune.session import take_files
from roomtune.session.names import inside
from roomtune.session.storage import UNFINISHED, file_digest, told_plainly
from roomtune.session.take_files import TakeEntry

SYSTEM = "system.toml"
_GRADES = {"good": 0, "usable": 1, "repeat": 2}


def take_pages(folder: Path) -> list[str]:
    """The JSON of every take that is on disk, relative, in the order of their numbers."""
    inner = folder / take_files.FOLDER
    if not inner.is_dir():
        return []
    names = sorted(os.listdir(inner))
    return [f"{take_files.FOLDER}/{n}" for n in names if n.endswith(".json") and n[0] != "."]


def all_files(folder: Path) -> set[str]:
    """Every file below the folder but hidden ones, relative, with forward slashes."""
    paths = (p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))
    return {p.relative_to(folder).as_posix() for p in paths}


def file_faults(
    folder: Path, listed: Mapping[str, Mapping[str, Any]], index_file: str
) -> tuple[str, ...]:
    """Sentences on every listed file that is missing or changed, and every other that is there.

    `listed`: its SHA-256 and size in bytes by the name of each file.
    """
    faults = []
    for name, what in listed.items():
        path = inside(folder, name)
        if not path.is_file():
            faults.append(f"{name} is missing")
        elif path.stat().st_size != what["bytes"] or file_digest(path) != what["sha256"]:
            faults.append(f"{name} was changed after it was written")
    extra = sorted(all_files(folder) - set(listed) - {index_file})
    return (*faults, *(f"{name} is not in the index" for name in extra))


def remove_unfinished(folder: Path) -> None:
    """Remove what a crash left half written. Only while holding the lock."""
    with told_plainly(folder):
        for leftover in folder.rglob(f".*{UNFINISHED}"):
            leftover.unlink(missing_ok=True)


def free_name(folder: Path, stem: str, suffix: str) -> str:
    """The first of <stem><suffix>, <stem>-2<suffix> ... that does not exist yet."""
    number, name = 1, f"{stem}{suffix}"
    while (folder / name).exists():
        number += 1
        name = f"{stem}-{number}{suffix}"
    return name


def free_number(folder: Path, takes: Iterable[TakeEntry]) -> int:
    """One more than any number of the takes or on any file of a take."""
    used = [entry.number for entry in takes]
    inner = folder / take_files.FOLDER
    if inner.is_dir():
        heads = (name.split("-", 1)[0] for name in os.listdir(inner))
        used += [int(head) for head in heads if head.isdecimal()]
    return max(used, default=0) + 1


def best_of(entries: Sequence[TakeEntry]) -> TakeEntry:
    """The take to use of several of one thing: the best grade, then the newest.

    Only those through the same tuning as the newest count.
    """
    through = entries[-1].through
    same = [e for e in entries if e.through == through]
    return min(same, key=lambda e: (_GRADES.get(e.grade, 3), -e.number))


def still_wanted(
    requests: Iterable[Any], entries: Iterable[TakeEntry], done: frozenset[tuple[str, str, str]]
) -> tuple[Any, ...]:
    """The requests (with kind, source, seat, settings) whose takes are not all there.

    A usable take of what is `done` is enough; of several repeats, all and their mean.
    """
    usable = Counter(e.key for e in entries if e.grade != "repeat" and e.key in done)

    def there(request: Any) -> bool:
        repeats = request.settings.repeats
        made = usable[request.kind, request.source, request.seat]
        return made >= (repeats + 1 if repeats > 1 else 1)

    return tuple(request for request in requests if not there(request))


def numbered(names: Iterable[str], stem: str) -> tuple[str, ...]:
    """Those of the names that `free_name` gives for a stem, in their order."""
    found = {name: re.fullmatch(rf"{re.escape(stem)}(?:-(\d+))?\.\w+", name) for name in names}
    numbers = {name: int(match[1] or 1) for name, match in found.items() if match}
    return tuple(sorted(numbers, key=lambda name: numbers[name]))


def claim(parent: Path, name: str) -> Path:
    """Make a folder of that name, or with the first free number behind it."""
    with told_plainly(parent / name):
        parent.mkdir(parents=True, exist_ok=True)
        number, folder = 1, parent / name
        while True:
            try:
                folder.mkdir()
            except FileExistsError:
                number += 1
                folder = parent / f"{name}-{number}"
            else:
                return folder


def content_of(path: Path) -> bytes:
    """Content of the system file; RoomtuneError when it cannot be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise RoomtuneError(
            f"{path}: cannot be read ({error.strerror}); "
            "name a system file, or make one with `roomtune new`"
        ) from error


def companions(system_path: Path) -> dict[str, bytes]:
    """Files that the system file names (microphone correction, target curve), to be kept along.

    Only those beside or below it: their relative place stays the same.
    """
    try:
        system = tomllib.loads(system_path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}  # what is wrong with it is told by whoever reads it as a system
    named = [("microphone", "correction_file"), ("target", "curve_file")]
    companions = {}
    for part, key in named:
        section = system.get(part)
        name = section.get(key) if isinstance(section, dict) else None
        if isinstance(name, str) and not Path(name).is_absolute() and ".." not in Path(name).parts:
            path = system_path.parent / name
            if path.is_file() and name != SYSTEM:
                companions[Path(name).as_posix()] = path.read_bytes()
    return companions
