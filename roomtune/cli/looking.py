"""From a session on disk to the subject of a view: only the takes that it needs."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from roomtune.errors import RoomtuneError

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.analysis.microphone import MicrophoneCorrection
    from roomtune.capture.take import Take
    from roomtune.report.subject import Choices, Subject
    from roomtune.report.views import Entry
    from roomtune.session.folder import Session
    from roomtune.session.take_files import TakeEntry
    from roomtune.signal.smoothing import Fraction
    from roomtune.system.model import System

ALL = "all"
COARSEST, FINEST = 1, 48


def subject_of(
    session: Session,
    entry: Entry,
    outputs: tuple[str, ...],
    seats: tuple[str, ...],
    choices: Choices,
    near: Session | None = None,
) -> Subject:
    """What a view looks at: the chosen outputs and seats of a session, the usual ones for none."""
    from roomtune.cli.project import system_of
    from roomtune.cli.responses import correction_of
    from roomtune.report.subject import Subject

    system = system_of(session)
    found = [e for e in session.best(kind="output") if e.grade != "repeat"]
    chosen_seats = _seats(session, system, found, entry, seats)
    chosen_outputs = _outputs(session, system, found, outputs, chosen_seats)
    takes = {
        (e.source, e.seat): session.take(e)
        for e in found
        if e.source in chosen_outputs and e.seat in chosen_seats
    }
    correction = correction_of(session, system)
    return Subject(
        system,
        measured_part(system, takes, chosen_outputs, correction),
        takes,
        choices,
        correction,
        None if near is None else near_field(near, chosen_outputs),
    )


def measured_part(
    system: System,
    takes: dict[tuple[str, str], Take],
    outputs: tuple[str, ...],
    correction: MicrophoneCorrection | None,
) -> Measured:
    """Some outputs of a system as measured; in Pa where the microphone is calibrated."""
    from roomtune.advisor.measured import measured_from_takes
    from roomtune.report.subject import as_pressure

    part = system.model_copy(
        update={"outputs": tuple(o for o in system.outputs if o.name in outputs)}
    )
    measured = measured_from_takes(part, tuple(takes.values()), correction)
    return as_pressure(measured, system.microphone.sensitivity_dbfs_at_94_db)


def near_field(session: Session, outputs: tuple[str, ...]) -> Measured:
    """The outputs of a session that was made with the microphone at the cones.

    RoomtuneError when none of them is in it, or it has takes at several seats.
    """
    from roomtune.cli.project import system_of
    from roomtune.cli.responses import correction_of

    system = system_of(session)
    found = [e for e in session.best(kind="output") if e.grade != "repeat"]
    seats = {e.seat for e in found}
    takes = {(e.source, e.seat): session.take(e) for e in found if e.source in outputs}
    if len(seats) != 1 or not takes:
        raise RoomtuneError(
            f"{session.path.name} is no near-field session of {', '.join(outputs)}: it holds "
            f"{len(takes)} of these outputs at {len(seats)} seats, where at least 1 at 1 is needed."
        )
    names = tuple(output for output, _ in takes)
    return measured_part(system, takes, names, correction_of(session, system))


def _seats(
    session: Session,
    system: System,
    found: list[TakeEntry],
    entry: Entry,
    wanted: tuple[str, ...],
) -> tuple[str, ...]:
    there = tuple(s.name for s in system.seats if any(e.seat == s.name for e in found))
    if not there:
        raise RoomtuneError(
            f"{session.path.name} holds no usable take of a single output. Run: roomtune measure"
        )
    unknown = [name for name in wanted if name not in there and name != ALL]
    if unknown:
        raise RoomtuneError(
            f"Nothing was measured at {', '.join(unknown)} in {session.path.name}. Seats: "
            f"{', '.join(there)}, or {ALL}."
        )
    if ALL in wanted or (not wanted and entry.seats == "all"):
        return there
    if wanted:
        return tuple(name for name in there if name in wanted)
    main = system.main_seat.name
    return (main,) if main in there else there[:1]


def _outputs(
    session: Session,
    system: System,
    found: list[TakeEntry],
    wanted: tuple[str, ...],
    seats: tuple[str, ...],
) -> tuple[str, ...]:
    """The outputs to look at: those wanted, else all that were measured at one of the seats."""
    there = tuple(
        o.name for o in system.outputs if any(e.source == o.name and e.seat in seats for e in found)
    )
    unknown = [name for name in wanted if name not in there]
    if unknown:
        raise RoomtuneError(
            f"{', '.join(unknown)} was not measured at {', '.join(seats)} in "
            f"{session.path.name}. Outputs: {', '.join(there)}."
        )
    return tuple(name for name in there if name in wanted) if wanted else there


def smoothing_of(text: str) -> Fraction | None:
    """The smoothing that a text asks for: "1/6", "ear" or "none"; RoomtuneError otherwise."""
    if text == "none":
        return None
    if text == "ear":
        return "ear"
    match = re.fullmatch(r"1/(\d{1,2})", text.replace(" ", ""))
    if match and COARSEST <= int(match[1]) <= FINEST:
        return float(match[1])
    raise RoomtuneError(
        f"Smoothing is 1/{COARSEST} to 1/{FINEST} (of an octave), ear or none, not {text!r}."
    )


def window_of(text: str) -> tuple[float | None, float | None]:
    """Cycles and seconds of a window such as "6cycles", "20ms"; both None for "whole".

    Raises RoomtuneError for any other text.
    """
    if text == "whole":
        return None, None
    match = re.fullmatch(r"(\d+(?:\.\d+)?) *(cycles|ms)", text)
    if match and float(match[1]) > 0:
        value = float(match[1])
        return (value, None) if match[2] == "cycles" else (None, value / 1000)
    raise RoomtuneError(
        f"A window is whole, or so many cycles or milliseconds (6cycles, 20ms), not {text!r}."
    )
