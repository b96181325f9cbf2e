"""The system that the advice of a session followed, kept beside it.

It may differ from the session's own system.toml in wishes, target, processor
and limits (see `roomtune.system.following`). The microphone and the audio
settings are always the session's own.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from roomtune.errors import RoomtuneError
from roomtune.session.folder import Session
from roomtune.session.names import inside
from roomtune.system.model import System
from roomtune.system.reading import read_system
from roomtune.system.wishing import checked

FOLLOWED, CURVE = "advised-system", "advised-curve"


def keep_followed(session: Session, system: System) -> None:
    """Keep the system as advised-system.json, with the target's curve, unless it is there."""
    if system == followed_system(session):
        return
    target = system.target
    if target.curve_file:
        curve = Path(target.curve_file)
        kept = session.save(CURVE, curve.suffix or ".txt", curve.read_bytes())
        target = target.model_copy(update={"curve_file": kept.name})
    plain = system.model_copy(update={"target": target})
    text = plain.model_dump_json(indent=1, exclude={"microphone", "audio"})
    session.save(FOLLOWED, ".json", f"{text}\n".encode())


def followed_system(session: Session) -> System:
    """The system that the current advice followed; the session's own without any.

    Raises RoomtuneError when the kept one is damaged.
    """
    own = read_system(session.system_path)
    path = session.current(FOLLOWED)
    if path is None:
        return own
    try:
        kept = System.model_validate_json(path.read_bytes())
    except (OSError, ValidationError) as fault:
        raise RoomtuneError(
            f"{path}: damaged or not of this version ({type(fault).__name__}); "
            "run roomtune advise again to write a new one"
        ) from None
    target = checked(kept, str(path)).target
    if target.curve_file:
        curve = str(inside(session.path, target.curve_file).absolute())
        target = target.model_copy(update={"curve_file": curve})
    return kept.model_copy(
        update={"microphone": own.microphone, "audio": own.audio, "target": target}
    )
