"""On which line of a TOML text each key stands.

Values are read by the standard library; it knows no lines, so this walks the
same text once more. The text must be valid TOML.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

Path = tuple[str | int, ...]
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_BETWEEN = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]}\r\n#]+")
_STRINGS = {
    '"""': re.compile(r'"""(?:\\.|[^\\])*?"{3,5}(?!")', re.DOTALL),
    "'''": re.compile(r"'''.*?'{3,5}(?!')", re.DOTALL),
    '"': re.compile(r'"(?:\\.|[^"\\\n])*"'),
    "'": re.compile(r"'[^'\n]*'"),
}


def key_lines(text: str) -> dict[Path, int]:
    """Line (from 1) where every key, table and list element begins, by its path.

    Elements of lists, also of [[tables]], have their place (from 0) in the path.
    """
    return _Walk(text).walk()


class _Walk:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._counted = (0, 1)
        self._found: dict[Path, int] = {}
        self._lengths: dict[Path, int] = {}

    def walk(self) -> dict[Path, int]:
        table: Path = ()
        for _ in self._statements():
            if self._next("[["):
                table = self._resolved(self._key()[0])
                place = self._lengths.get(table, 0)
                self._lengths[table] = place + 1
                table = (*table, place)
                self._note(table, self._at)
                self._at += 2
            elif self._next("["):
                table = self._resolved(self._key()[0])
                self._note(table, self._at)
                self._at += 1
            else:
                self._pair(table)
        return self._found

    def _statements(self) -> Iterator[None]:
        while True:
            self._skip(_BETWEEN)
            if self._at >= len(self._text):
                return
            yield

    def _pair(self, table: Path) -> None:
        key, start = self._key()
        self._at += 1
        path = (*table, *key)
        self._note(path, start)
        self._skip(_BLANK)
        self._value(path)

    def _value(self, path: Path) -> None:
        for mark, string in _STRINGS.items():
            if self._text.startswith(mark, self._at):
                self._skip(string)
                return
        if self._next("["):
            self._list(path)
        elif self._next("{"):
            self._inline_table(path)
        else:
            self._skip(_SCALAR)

    def _list(self, path: Path) -> None:
        place = 0
        self._skip(_BETWEEN)
        while not self._next("]"):
            self._note((*path, place), self._at)
            self._value((*path, place))
            place += 1
            self._skip(_BETWEEN)
            self._next(",")
            self._skip(_BETWEEN)

    def _inline_table(self, path: Path) -> None:
        self._skip(_BETWEEN)
        while not self._next("}"):
            self._pair(path)
            self._skip(_BETWEEN)
            self._next(",")
            self._skip(_BETWEEN)

    def _key(self) -> tuple[list[str], int]:
        """A dotted key and where it starts; stops before what follows it."""
        import tomllib

        self._skip(_BLANK)
        start, parts = self._at, []
        while True:
            self._skip(_BLANK)
            part = self._take(_BARE) or self._take(_STRINGS['"']) or self._take(_STRINGS["'"])
            if part[:1] in ("'", '"'):
                part = tomllib.loads(f"key = {part}")["key"]
            parts.append(part)
            self._skip(_BLANK)
            if not self._next("."):
                return parts, start

    def _resolved(self, parts: list[str] | Path) -> Path:
        """The path of a header: a list of tables means its last element so far."""
        path: Path = ()
        for place, part in enumerate(parts):
            path = (*path, part)
            if path in self._lengths and place < len(parts) - 1:
                path = (*path, self._lengths[path] - 1)
        return path

    def _note(self, path: Path, position: int) -> None:
        """The line of a key, and of the tables that it implies."""
        before, line = self._counted
        line += self._text.count("\n", before, position)
        self._counted = (position, line)
        for length in range(len(path), 0, -1):
            if path[:length] in self._found:
                return
            self._found[path[:length]] = line

    def _next(self, mark: str) -> bool:
        if self._text.startswith(mark, self._at):
            self._at += len(mark)
            return True
        return False

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if not found:
            return ""
        self._at = found.end()
        return found.group()

    def _skip(self, pattern: re.Pattern[str]) -> None:
        self._take(pattern)
