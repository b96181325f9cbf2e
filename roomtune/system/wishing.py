"""Wishes given by the way, as on a command line: key=value, as in the file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable

from roomtune.errors import RoomtuneError
from roomtune.system.checking import system_faults
from roomtune.system.faults import error
from roomtune.system.model import System, Wishes
from roomtune.system.parts import parse_part
from roomtune.system.target_words import retargeted

_WORDS = ("true", "false", "inf", "nan")
_BARE = re.compile(r"[^\W\d_][\w .-]*")
_LISTS = {"leave_alone", "forbid", "crossovers_hz"}


def with_wishes(system: System, texts: Iterable[str]) -> System:
    """The system with wishes changed, each like 'maximum_boost_db=3' (values as in TOML).

    Raises RoomtuneError that says what is wrong with which.
    """
    given: dict[str, object] = {}
    for text in texts:
        try:
            given = _joined(given, _read(text), adding=True)
        except (ValueError, RecursionError) as fault:
            raise RoomtuneError(
                f"the wish {text!r} is not of the form key=value: {fault}; "
                "write it as under [wishes] in system.toml, such as 'maximum_boost_db=3', "
                "'leave_alone=left' or 'gains_db.\"left tweeter\"=-3'"
            ) from None
    whole = _joined(system.wishes.model_dump(mode="json"), given)
    wishes, faults = parse_part(Wishes, whole, ("wishes",))
    if faults:
        raise error("among the wishes given", faults, {}, {})
    return checked(system.model_copy(update={"wishes": wishes}), "among the wishes given")


def _read(text: str) -> dict[str, object]:
    """One wish as in TOML; bare names need no quotes, and one value makes a list of one."""
    key, equals, value = (part.strip() for part in text.partition("="))
    table, dot, name = key.partition(".")
    if dot and _BARE.fullmatch(name):
        key = f'{table}."{name}"'
    if _BARE.fullmatch(value) and value not in _WORDS:
        value = f'"{value}"'
    found = tomllib.loads(f"{key}{equals}{value}")
    for name in _LISTS & found.keys():
        found[name] = _listed(found[name])
    return found


def _listed(value: object) -> object:
    """A value as a list of one, a table with each of its values so."""
    if isinstance(value, dict):
        return {name: _listed(item) for name, item in value.items()}
    return value if isinstance(value, list) else [value]


def _joined(
    old: dict[str, object], new: dict[str, object], adding: bool = False
) -> dict[str, object]:
    """The old values with the new ones; tables are joined name by name, lists if `adding`."""
    joined = dict(old)
    for key, value in new.items():
        before = old.get(key)
        if isinstance(before, dict) and isinstance(value, dict):
            joined[key] = before | value
        elif adding and isinstance(before, list) and isinstance(value, list):
            joined[key] = [*before, *value]
        else:
            joined[key] = value
    return joined


def with_target_words(system: System, texts: Iterable[str]) -> System:
    """The system with its target changed by words; RoomtuneError when they are not understood."""
    target = system.target
    for text in texts:
        try:
            target = retargeted(target, text)
        except ValueError as fault:
            raise RoomtuneError(f"target {fault}") from None
    return checked(system.model_copy(update={"target": target}), "the target given")


def checked(system: System, where: str) -> System:
    """The system, if its parts fit together; RoomtuneError lists what does not."""
    faults = system_faults(system)
    if faults:
        raise error(where, faults, {}, {})
    return system
