"""Lines of keys, against the standard library's reading of the same text."""

from __future__ import annotations

import tomllib

import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.system.lines import key_lines

TEXT = '''\
# a comment with [brackets] and = signs
name = "x # no comment"   # a comment
"quoted key" = 'literal \\'
dotted.key.deep = 1

[[outputs]]
name = """many
lines with ] and } and " and \\""" inside
"""
band = [
  20,     # a comment, with comma
  [1, { low = 3, high = "a,b]" }],
]
[outputs.data]
fs = 30
[[outputs.parts]]
size = 1
[[outputs.parts]]
size = 2

[[outputs]]
inline = { a = 1, b = { c = [1, 2] } }
date = 1979-05-27 07:32:00
literal = \'\'\'
''\'\'\'

[processor.crossovers]
Linkwitz-Riley = [2, 4]
'''


def test_lines_of_a_text_with_everything():
    found = key_lines(TEXT)
    wanted = {
        ("name",): 2,
        ("quoted key",): 3,
        ("dotted",): 4,
        ("dotted", "key", "deep"): 4,
        ("outputs", 0): 6,
        ("outputs", 0, "name"): 7,
        ("outputs", 0, "band"): 10,
        ("outputs", 0, "band", 0): 11,
        ("outputs", 0, "band", 1, 1, "high"): 12,
        ("outputs", 0, "data"): 14,
        ("outputs", 0, "data", "fs"): 15,
        ("outputs", 0, "parts", 1, "size"): 19,
        ("outputs", 1): 21,
        ("outputs", 1, "inline", "b", "c", 1): 22,
        ("outputs", 1, "date"): 23,
        ("outputs", 1, "literal"): 24,
        ("processor", "crossovers"): 27,
        ("processor", "crossovers", "Linkwitz-Riley", 1): 28,
    }
    assert {path: found.get(path) for path in wanted} == wanted


def paths(value, path=()):
    """Every path that leads to something inside plain data."""
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    for key, part in inner:
        yield (*path, key)
        if isinstance(part, dict | list):
            yield from paths(part, (*path, key))


def test_every_path_is_found():
    assert set(paths(tomllib.loads(TEXT))) == set(key_lines(TEXT))


keys = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=4)
scalars = (
    st.booleans()
    | st.integers(-(10**6), 10**6)
    | st.floats(allow_nan=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=8,
)


@settings(derandomize=True, deadline=None, max_examples=100)
@given(st.dictionaries(keys, values, max_size=5))
def test_whatever_is_written_is_found_again(data):
    text = tomlkit.dumps(data)
    read = tomllib.loads(text)
    found = key_lines(text)
    assert set(paths(read)) == set(found)
    rows = text.split("\n")
    assert all(1 <= line <= len(rows) for line in found.values())
