"""Writing the microphone's sensitivity into the text of system.toml, all else untouched."""

from __future__ import annotations

import re
import tomllib

from roomtune.errors import RoomtuneError

KEY = "sensitivity_dbfs_at_94_db"
TABLE = re.compile(r"^\[microphone\].*$", re.MULTILINE)
NEXT_TABLE = re.compile(r"^\[", re.MULTILINE)
LINE = re.compile(rf"^[ \t]*#?[ \t]*{KEY}[ \t]*=.*$", re.MULTILINE)


def with_sensitivity(text: str, sensitivity_dbfs_at_94_db: float) -> str:
    """Return the text of a system.toml with the microphone's sensitivity set, to 0.01 dB.

    Takes the place of the line that is there, commented out or not; else it
    is added to the table [microphone], which is made where there is none. Raises
    RoomtuneError when the text is laid out in a way that this cannot follow.
    """
    line = f"{KEY} = {sensitivity_dbfs_at_94_db:.2f}"
    table = TABLE.search(text)
    if table is None:
        changed = f"{text.rstrip()}\n\n[microphone]\n{line}\n"
    else:
        following = NEXT_TABLE.search(text, table.end())
        end = following.start() if following else len(text)
        inside = text[table.end() : end]
        inside, found = LINE.subn(line, inside, count=1)
        head = text[: table.end()] + ("" if found else f"\n{line}")
        changed = head + inside + text[end:]
    _check(changed, line, round(sensitivity_dbfs_at_94_db, 2))
    return changed


def _check(changed: str, line: str, wanted: float) -> None:
    """Raise RoomtuneError unless the changed text says what it should."""
    try:
        said = tomllib.loads(changed)["microphone"][KEY]
    except (ValueError, KeyError, TypeError, RecursionError):
        said = None
    if said != wanted:
        raise RoomtuneError(
            f"system.toml describes the microphone in an unusual way; write into it by hand: {line}"
        )
