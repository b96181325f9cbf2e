"""Every public name says what it is, in what units, and which errors it raises itself.

Units are those of arguments and fields that are single numbers.
"""

from __future__ import annotations

import ast
import inspect
import pathlib
import re
from collections.abc import Iterator

import pytest

PACKAGE = pathlib.Path(__file__).parents[1] / "roomtune"
MODULES = sorted(PACKAGE.rglob("*.py"))
NAMES = pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
# Endings of names that state a unit, or that a number has none.
UNIT = re.compile(
    r"(^|_)(hz|db|dbfs|s|ms|us|ns|m|mm|m2|m3|cm2|m_s|c|pa|v|w|ohm|ppm|percent|deg|rad|kg|l|mb|bytes"
    r"|octaves?|samples|cycles|minutes|seconds|count|ratio|share|weight|q)$"
)
# Numbers without a unit whose names say so in the trade, or that belong to plain arithmetic.
UNITLESS = {
    "value", "fraction", "tolerance", "points_per_octave", "rating", "beyond", "below",
}  # fmt: skip
# A sample rate in Hz where nothing else could be meant, and the natural logarithm of one in Hz.
UNITLESS |= {"rate", "log_frequency"}
# What a command prints instead of raising; its docstring is its help.
COMMANDS = {"command"}


Function = ast.FunctionDef | ast.AsyncFunctionDef


def public(tree: ast.AST, prefix: str = "") -> Iterator[tuple[str, Function | ast.ClassDef]]:
    """Public functions, classes and methods below a node, by their names."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_"):
            yield f"{prefix}{node.name}", node
            if isinstance(node, ast.ClassDef):
                yield from public(node, f"{prefix}{node.name}.")
        elif isinstance(node, ast.If | ast.Try):
            yield from public(node, prefix)


def raised(function: Function) -> set[str]:
    """Names of the errors that a function itself raises."""
    calls = (n.exc for n in ast.walk(function) if isinstance(n, ast.Raise))
    names = (c.func.id for c in calls if isinstance(c, ast.Call) and isinstance(c.func, ast.Name))
    return {name for name in names if name.endswith("Error")}


def bare_floats(node: Function | ast.ClassDef, text: str) -> list[str]:
    """Arguments or fields that are numbers, without a unit in the name or a word about them."""
    if isinstance(node, ast.ClassDef):
        fields = [f for f in node.body if isinstance(f, ast.AnnAssign)]
        named = [(ast.unparse(f.target), f.annotation) for f in fields]
    else:
        spec = node.args
        arguments = [*spec.posonlyargs, *spec.args, *spec.kwonlyargs]
        named = [(a.arg, a.annotation) for a in arguments if a.annotation]
    numbers = [
        name
        for name, kind in named
        if ast.unparse(kind) in ("float", "float | None") and not name.startswith("_")
    ]
    return [n for n in numbers if not UNIT.search(n) and n not in UNITLESS and n not in text]


def faults(source: str) -> list[str]:
    """What is missing in a module, in sentences."""
    found = []
    for name, node in public(ast.parse(source)):
        text = ast.get_docstring(node) or ""
        if not text:
            found.append(f"{name} has no docstring")
            continue
        if isinstance(node, Function) and node.name not in COMMANDS:
            unsaid = sorted(error for error in raised(node) if error not in text)
            found += [f"{name} does not say that it raises {error}" for error in unsaid]
        if node.name not in COMMANDS:
            found += [f"{name} does not say the unit of {n}" for n in bare_floats(node, text)]
    return found


@NAMES
def test_every_public_name_is_documented_with_units_and_errors(path):
    assert faults(path.read_text(encoding="utf-8")) == []


@NAMES
def test_every_module_says_what_it_is(path):
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))


def test_the_rule_can_fail():
    source = inspect.cleandoc('''
        def bare(): pass
        def wait(length: float, pause_s: float) -> None:
            """Wait."""
            raise ValueError("no")
        def known(length: float) -> None:
            """Wait for `length` turns; ValueError for none."""
            raise ValueError("no")
        class Thing:
            """A thing."""
            size: float
            length_m: float
            def part(self): pass
            def _own(self): pass
        if True:
            async def later(): pass
    ''')
    assert faults(source) == [
        "bare has no docstring",
        "wait does not say that it raises ValueError",
        "wait does not say the unit of length",
        "Thing does not say the unit of size",
        "Thing.part has no docstring",
        "later has no docstring",
    ]
