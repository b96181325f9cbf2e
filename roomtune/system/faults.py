"""Faults of a system.toml, told to people: line, key, got, expected, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from roomtune.errors import RoomtuneError

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Fault:
    """One fault: the path of its key and a sentence about it."""

    path: Path
    text: str


def shown(value: Any) -> str:
    """A value as it would stand in TOML, shortened."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, list | tuple):
        text = f"[{', '.join(shown(v) for v in value)}]"
    elif isinstance(value, dict):
        text = "a table"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def key_name(path: Path, data: Any) -> str:
    """The key as a person finds it: outputs[3] "left woofer" safe_band_hz."""
    words: list[str] = []
    for part in path:
        if isinstance(part, int):
            words[-1] += f"[{part + 1}]"
            data = data[part] if isinstance(data, list) and part < len(data) else None
            if isinstance(data, dict) and isinstance(data.get("name"), str):
                words.append(f'"{data["name"][:40]}"')
        else:
            words.append(part)
            data = data.get(part) if isinstance(data, dict) else None
    return " ".join(words)


def line_of(path: Path, lines: Mapping[Path, int]) -> int | None:
    """Line of a key, else of the nearest part above it that stands in the text."""
    return next((lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in lines), None)


def error(
    where: str, faults: Iterable[Fault], lines: Mapping[Path, int], data: Any
) -> RoomtuneError:
    """All faults in the order of the file, as one error."""
    rows = []
    for fault in faults:
        line = line_of(fault.path, lines)
        place = f"line {line}: " if line else ""
        name = key_name(fault.path, data)
        rows.append((line or 0, f"{place}{name}: {fault.text}" if name else f"{place}{fault.text}"))
    texts = list(dict.fromkeys(text for _, text in sorted(rows, key=lambda row: row[0])))
    if len(texts) == 1:
        return RoomtuneError(f"{where}, {texts[0]}")
    return RoomtuneError("\n  ".join([f"{where} has {len(texts)} faults:", *texts]))
