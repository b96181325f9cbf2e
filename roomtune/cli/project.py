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


QUICK = "quick check"


def open_session(choice: str | None = None) -> Session:
    """The session of that folder, name or state of the room, the newest of several.

    Without a choice the newest of all that are more than a quick check. Raises
    RoomtuneError when there is none.
    """
    from roomtune.session.folder import Session, latest, list_sessions

    if choice is not None and Path(choice).is_dir():
        return Session.open(choice)
    sessions = list_sessions(Path())
    if choice is None:
        whole = [s for s in sessions if QUICK not in s.tags]
        return whole[-1] if whole else latest(Path())
    fitting = [s for s in sessions if choice in (s.name, s.path.name, s.path.name[11:])]
    fitting = fitting or [s for s in sessions if choice == s.state]
    if not fitting:
        known = ", ".join(s.path.name for s in sessions) or "none yet"
        raise RoomtuneError(f"There is no session {choice!r} here. Sessions: {known}.")
    return fitting[-1]


def tuned_before(session: Session | None = None) -> Session:
    """The newest session with a tuning made before that one (of all without one).

    Raises RoomtuneError when there is none.
    """
    from roomtune.session.folder import list_sessions

    sessions = list_sessions(Path())
    if session is not None:
        sessions = tuple(s for s in sessions if s.created_at < session.created_at)
    tuned = [s for s in sessions if s.current("tuning")]
    if not tuned:
        raise RoomtuneError(
            "There is no earlier session with a tuning to go by. Run: roomtune measure, then "
            "roomtune advise"
        )
    return tuned[-1]


def system_of(session: Session) -> System:
    """The system that the session's advice followed; as it was measured without any advice."""
    from roomtune.session.followed import followed_system

    return followed_system(session)


def system_to_follow(session: Session, as_measured: bool = False) -> tuple[System, tuple[str, ...]]:
    """The system that new advice follows, and the parts edited since the measurement.

    What was measured is the session's; wishes, target, processor and limits are
    those of system.toml in this folder as it stands now (if there is one).
    Raises RoomtuneError when that no longer describes what was measured.
    """
    from roomtune.system.following import changed_parts, following
    from roomtune.system.reading import read_system

    measured = read_system(session.system_path)
    if as_measured or not SYSTEM.exists():
        return measured, ()
    current = load_system()
    return following(measured, current), changed_parts(measured, current)
