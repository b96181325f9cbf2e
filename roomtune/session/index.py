"""session.json: the index of a session, its versions, and what it says of every file."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from roomtune.errors import RoomtuneError
from roomtune.session.codec import from_plain
from roomtune.session.storage import digest, write_atomically, write_new
from roomtune.session.take_files import StoredTake, TakeEntry
from roomtune.signal.json_text import parsed_json

FILE = "session.json"
FORMAT = "roomtune session"
VERSION = 1
# From version n to n + 1; each takes and returns the plain content of session.json.
MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}


@dataclass(frozen=True)
class _Listed:
    """What the index says of a file."""

    sha256: str
    bytes: int


@dataclass(frozen=True)
class Index:
    """What session.json holds.

    `files`: checksum and size of every file, by its path relative to the
    session. `current`: which file is the latest of its sort ("tuning" ->
    "tuning-2.json"). `notes`: {"at", "text"}, in order, never removed.
    `version` is that of the file it was read from.
    """

    name: str
    created_at: str
    state: str = ""
    tags: tuple[str, ...] = ()
    notes: tuple[dict[str, str], ...] = ()
    current: dict[str, str] = field(default_factory=dict)
    takes: tuple[TakeEntry, ...] = ()
    files: dict[str, dict[str, Any]] = field(default_factory=dict)
    version: int = VERSION

    def with_file(self, name: str, data: bytes, sort: str | None = None) -> Index:
        """The index with one more file, the current one of its sort where one is named."""
        files = {**self.files, name: {"sha256": digest(data), "bytes": len(data)}}
        current = {**self.current, sort: name} if sort else self.current
        return replace(self, files=files, current=current)

    def with_takes(self, stored: list[StoredTake]) -> Index:
        """The index with more takes, in the order of their numbers."""
        files = dict(self.files)
        for item in stored:
            files.update(item.files)
        takes = sorted((*self.takes, *(s.entry for s in stored)), key=lambda e: e.number)
        return replace(self, takes=tuple(takes), files=files)


def index_lines(index: Index) -> Iterator[bytes]:
    """The content of session.json, piece by piece: one line per take and per file.

    What a terminal handed over that is no text becomes question marks.
    """
    head = {
        "format": FORMAT,
        "version": VERSION,
        "name": index.name,
        "created_at": index.created_at,
        "state": index.state,
        "tags": list(index.tags),
        "notes": list(index.notes),
        "current": index.current,
    }
    yield b"{\n"
    for key, value in head.items():
        yield f" {_json(key)}: {_json(value)},\n".encode(errors="replace")
    yield b' "takes": [\n'
    yield from _listed(_json(asdict(entry)) for entry in index.takes)
    yield b' ],\n "files": {\n'
    yield from _listed(f"{_json(name)}: {_json(what)}" for name, what in index.files.items())
    yield b" }\n}\n"


def _listed(items: Iterable[str]) -> Iterator[bytes]:
    """A line for each, with commas between."""
    between = ""
    for item in items:
        yield f"{between}  {item}".encode()
        between = ",\n"
    yield b"\n"


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def read_index(folder: Path) -> Index:
    """Read session.json, whatever version it has; RoomtuneError when it is none.

    Nothing is written: `migrate` is what renews an old file.
    """
    plain = _read_plain(folder)
    return replace(_index(folder, _upgraded(folder, plain)), version=plain["version"])


def migrate(folder: Path) -> None:
    """Renew an old session.json in place; the old one is kept as session-version-N.json."""
    plain = _read_plain(folder)
    kept = folder / f"session-version-{plain['version']}.json"
    if not kept.exists():
        write_new(kept, (folder / FILE).read_bytes())
    index = _index(folder, _upgraded(folder, plain)).with_file(kept.name, kept.read_bytes())
    write_atomically(folder / FILE, index_lines(index))


def _read_plain(folder: Path) -> dict[str, Any]:
    path = folder / FILE
    try:
        plain = parsed_json(path.read_bytes())
    except FileNotFoundError as error:
        raise RoomtuneError(
            f"{folder}: is not a session (there is no {FILE}); "
            "name a folder that `roomtune measure` made"
        ) from error
    except (OSError, ValueError) as error:
        raise RoomtuneError(f"{path}: cannot be read ({error}); restore it from a copy") from error
    if not isinstance(plain, dict) or plain.get("format") != FORMAT:
        raise RoomtuneError(f"{path}: is not a session (expected the format {FORMAT!r})")
    if not isinstance(plain.get("version"), int):
        raise RoomtuneError(f"{path}: states no version; restore it from a copy")
    return plain


def _upgraded(folder: Path, plain: dict[str, Any]) -> dict[str, Any]:
    version = plain["version"]
    if version > VERSION:
        raise RoomtuneError(
            f"{folder / FILE}: has version {version} of the format, this program knows up to "
            f"{VERSION}; update roomtune"
        )
    while version < VERSION:
        if version not in MIGRATIONS:
            raise RoomtuneError(f"{folder / FILE}: version {version} of the format never existed")
        plain = MIGRATIONS[version](plain)
        version += 1
    return plain


def _index(folder: Path, plain: dict[str, Any]) -> Index:
    try:
        missing = [f.name for f in fields(Index) if f.name not in plain]
        if missing:
            raise ValueError(f"there is no {missing[0]!r}")
        index: Index = from_plain(Index, plain)
        datetime.fromisoformat(index.created_at).timestamp()
        for what in index.files.values():
            from_plain(_Listed, what)
    except (ValueError, ArithmeticError, OSError) as error:
        raise RoomtuneError(
            f"{folder / FILE}: is damaged ({error}); restore it from a copy"
        ) from error
    return index
