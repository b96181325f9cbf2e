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


def with_wishes(system: System, texts: Iterable[str]) -> System:
    """The system with wishes changed, each like 'maximum_boost_db=3' (values as in TOML).

    Raises RoomtuneError that says what is wrong with which.
    """
    given: dict[str, object] = {}
    for text in texts:
        try:
            given |= _read(text)
        except (ValueError, RecursionError) as fault:
            raise RoomtuneError(
                f"the wish {text!r} is not of the form key=value: {fault}; "
                "write it as under [wishes] in system.toml, such as 'maximum_boost_db=3' or "
                "'leave_alone=[\"left\"]'"
            ) from None
    whole = system.wishes.model_dump(mode="json") | given
    wishes, faults = parse_part(Wishes, whole, ("wishes",))
    if faults:
        raise error("among the wishes given", faults, {}, {})
    return checked(system.model_copy(update={"wishes": wishes}), "among the wishes given")


def _read(text: str) -> dict[str, object]:
    """One wish as in TOML; a bare word after the = is a text."""
    key, equals, value = text.partition("=")
    if equals and re.fullmatch(r"[a-zA-Z ]+", value.strip()) and value.strip() not in _WORDS:
        text = f'{key}="{value.strip()}"'
    return tomllib.loads(text)


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
