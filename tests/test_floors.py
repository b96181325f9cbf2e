"""The house stands: a room imports only from the floors below it, heavy imports wait."""

from __future__ import annotations

import ast
import pathlib
import subprocess
import sys

import pytest

PACKAGE = pathlib.Path(__file__).parents[1] / "roomtune"
FLOORS = [
    {"signal"},
    {"processor", "system"},
    {"analysis", "capture", "virtual"},
    {"advisor"},
    {"session"},
    {"report"},
    {"cli"},
]
FLOOR_OF = {room: height for height, rooms in enumerate(FLOORS) for room in rooms}
HEAVY = {"matplotlib", "scipy", "sounddevice", "soundfile", "soxr", "pyroomacoustics", "jinja2"}
MODULES = sorted(PACKAGE.rglob("*.py"))


def imported(tree: ast.AST) -> list[str]:
    """Every absolute module name imported anywhere below `tree`."""
    names: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            names.append(node.module or "")
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return names


def room_of(path: pathlib.Path) -> str | None:
    """The room a module lives in; None for the few modules beside the rooms."""
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else None


def may_import(room: str, other: str) -> bool:
    """Whether `room` may import from `other`."""
    if other == "virtual":
        return room in {"virtual", "cli"}
    return room == other or FLOOR_OF[other] < FLOOR_OF[room]


def test_every_room_has_a_floor() -> None:
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert rooms == set(FLOOR_OF)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_a_room_imports_only_from_floors_below(path: pathlib.Path) -> None:
    room = room_of(path)
    if room is None:
        return
    names = imported(ast.parse(path.read_text(encoding="utf-8")))
    rooms = {name.split(".")[1] for name in names if name.startswith("roomtune.")}
    wrong = {other for other in rooms & set(FLOOR_OF) if not may_import(room, other)}
    assert not wrong, f"{room} must not import {sorted(wrong)}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_heavy_libraries_load_only_inside_functions(path: pathlib.Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    top = ast.Module(
        body=[node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)],
        type_ignores=[],
    )
    heavy = {name.split(".")[0] for name in imported(top)} & HEAVY
    assert not heavy, f"{path.name} imports {sorted(heavy)} at its top"


def loaded_after(statement: str) -> set[str]:
    """Top-level modules present in a fresh interpreter after `statement`."""
    code = f"{statement}; import sys; print(*{{m.split('.')[0] for m in sys.modules}})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_import_of_the_package_is_cheap() -> None:
    assert not loaded_after("import roomtune") & (HEAVY | {"numpy", "pydantic", "rich"})


def test_import_of_the_commands_is_cheap() -> None:
    loaded = loaded_after("import roomtune.cli.main")
    assert not loaded & (HEAVY | {"numpy", "pydantic", "rich", "tomlkit"})


def test_the_floor_rule_can_fail() -> None:
    assert not may_import("signal", "analysis")
    assert not may_import("analysis", "capture")
    assert not may_import("advisor", "virtual")
    assert imported(ast.parse("from roomtune.capture import take")) == [
        "roomtune.capture",
        "roomtune.capture.take",
    ]
