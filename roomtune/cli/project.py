"""The project folder that the commands stand in: system.toml and sessions/."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from roomtune.errors import RoomtuneError

if TYPE_CHECKING:
    from roomtune.session.folder import Session
    from roomtune.system.model import System

SYSTEM = Path("system.toml")


def load_system() -> System:
    """The system described in this folder; RoomtuneError when it cannot be read."""
    from roomtune.system.reading import read_system

    if not SYSTEM.exists():
        raise RoomtuneError(
            f"There is no {SYSTEM} in {Path.cwd()}. Change to the folder of your system, "
            f'or run "roomtune new" to start one here.'
        )
    return read_system(SYSTEM)


def open_session(choice: str | None = None) -> Session:
    """The session of that folder or name, the newest when there are several.

    Without a choice the newest of all. Raises RoomtuneError when there is none.
    """
    from roomtune.session.folder import Session, latest, list_sessions

    if choice is None:
        return latest(Path())
    if Path(choice).is_dir():
        return Session.open(choice)
    sessions = list_sessions(Path())
    fitting = [s for s in sessions if choice in (s.name, s.path.name, s.path.name[11:])]
    if not fitting:
        known = ", ".join(s.path.name for s in sessions) or "none yet"
        raise RoomtuneError(f"There is no session {choice!r} here. Sessions: {known}.")
    return fitting[-1]


def system_of(session: Session) -> System:
    """The system as it was when the session was measured."""
    from roomtune.system.reading import read_system

    return read_system(session.system_path)
