"""Other bytes in place of good ones: edits by hand's width, and hostile values by name."""

from __future__ import annotations

import json
import re
from random import Random
from typing import Any

from hypothesis import strategies as st

HOSTILE_VALUES: tuple[Any, ...] = (
    None, True, 0, -1, 1, 0.5, -1e308, 1e308, 1e-320, 10**400, float("nan"), float("inf"), "",
    "nan", "\x1b[2J\x07", "../../etc/passwd", "/etc/passwd", "C:\\con", "a\0b", "\ud800",
    "\u202e[/red]x", "x" * 5000, "<script>alert(1)</script>", [], {}, [[]], [None],
    {"": {}}, ["x"] * 3, [1, "x"], [[1], [1, 2]], {"start": 0, "step": 1, "count": 10**12},
    {"real": [1], "imaginary": [1, 2]}, {"real": 1}, "9" * 5000,
)  # fmt: skip
HOSTILE_WORDS = (
    b"nan", b"inf", b"-inf", b"1e400", b"-1", b"0", b"9" * 400, b"1e-400", b"[" * 3000,
    b"{" * 3000, b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n\n", b'"', b"'", b"true", b"[]",
    b"{}", b"[[x]]\n", b"\x1b[31m", b"\xe2\x80\xae", b"RIFF", b"data", b"fmt ", b"fLaC",
    b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b"\xff\xff\xff\x7f", b"1979-05-27T07:32:00Z",
)  # fmt: skip
_VALUE = re.compile(rb"(?<=[=:,\[ ])[ ]*(-?[0-9][0-9.e+-]*|\"[^\"\n]*\"|true|false|null)")


@st.composite
def edited(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """A seed with a few stretches removed, repeated, overwritten or replaced."""
    data = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(1, 4))):
        data = _edit(draw, data)
    return data


def _edit(draw: st.DrawFn, data: bytes) -> bytes:
    begin = draw(st.integers(0, len(data)))
    end = min(begin + draw(st.sampled_from((0, 1, 2, 4, 16, 200))), len(data))
    kind = draw(st.sampled_from(("word", "bytes", "cut", "repeat", "end", "value")))
    if kind == "value":
        return _with_other_value(draw, data)
    if kind == "end":
        return data[:begin]
    middle = {
        "word": lambda: draw(st.sampled_from(HOSTILE_WORDS)),
        "bytes": lambda: draw(st.binary(max_size=8)),
        "cut": lambda: b"",
        "repeat": lambda: data[begin:end] * 3,
    }[kind]()
    return data[:begin] + middle + data[end:]


def _with_other_value(draw: st.DrawFn, data: bytes) -> bytes:
    """One number, text or truth value of a text file replaced by a hostile word."""
    places = [match.span(1) for match in _VALUE.finditer(data)]
    if not places:
        return data
    begin, end = draw(st.sampled_from(places))
    return data[:begin] + draw(st.sampled_from(HOSTILE_WORDS)) + data[end:]


@st.composite
def other_json(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """A JSON seed with one to three of its values, anywhere, replaced by hostile ones."""
    plain = json.loads(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(1, 3))):
        paths = list(_paths(plain))
        if not paths:
            break
        *way, last = draw(st.sampled_from(paths))
        inner = plain
        for key in way:
            inner = inner[key]
        inner[last] = draw(st.sampled_from(HOSTILE_VALUES))
    return json.dumps(plain).encode()


def _paths(plain: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value inside."""
    if isinstance(plain, dict):
        items = list(plain.items())
    elif isinstance(plain, list):
        items = list(enumerate(plain))
    else:
        return []
    return [path for key, item in items for path in ((*way, key), *_paths(item, (*way, key)))]


def with_other_json(data: bytes, random: Random) -> bytes:
    """The same as `other_json` for a coverage-guided fuzzer: ValueError for what is no JSON."""
    plain = json.loads(data)
    paths = _paths(plain)
    for _ in range(random.randint(1, 2)):
        if not paths:
            raise ValueError("nothing inside")
        *way, last = random.choice(paths)
        inner = plain
        for key in way:
            inner = inner[key]
        inner[last] = random.choice(HOSTILE_VALUES)
        paths = _paths(plain)
    return json.dumps(plain).encode()
