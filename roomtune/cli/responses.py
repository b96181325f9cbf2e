"""From a session's takes to the values that the advisor and the report want."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomtune.errors import RoomtuneError

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.advisor.proposal import Advice
    from roomtune.advisor.scores import Scores
    from roomtune.analysis.microphone import MicrophoneCorrection
    from roomtune.capture.take import Take
    from roomtune.processor.tuning import Tuning
    from roomtune.session.folder import Session
    from roomtune.system.model import System


def correction_of(session: Session, system: System) -> MicrophoneCorrection | None:
    """The microphone's correction kept with the session, if the system names one."""
    from roomtune.analysis.microphone import read_correction

    name = system.microphone.correction_file
    return None if name is None else read_correction(session.system_path.parent / name)


def measured_of(session: Session, system: System) -> Measured:
    """All outputs at all seats; MeasurementError names what is missing."""
    from roomtune.advisor.measured import measured_from_takes

    takes = session.takes(kind="output")
    return measured_from_takes(system, takes, correction_of(session, system))


def advice_of(
    session: Session, system: System, previous: Tuning | None = None
) -> tuple[Measured, Advice]:
    """The measured responses and the advice that follows from them.

    What it improves on is the `previous` tuning, or a textbook one without it.
    """
    from roomtune.advisor.planning import plan

    measured = measured_of(session, system)
    return measured, plan(system, measured, previous)


def kept_advice(session: Session, system: System, measured: Measured) -> Advice | None:
    """The tuning and proposals that a session holds, predicted anew; None where nothing is."""
    from roomtune.advisor.prediction import predict
    from roomtune.advisor.proposal import Advice
    from roomtune.advisor.starting import starting_tuning
    from roomtune.processor.storage import read_tuning

    tuning, kept = session.tuning(), session.current("starting-tuning")
    if tuning is None:
        return None
    starting = read_tuning(kept) if kept else starting_tuning(system)
    after, before = predict(tuning, measured), predict(starting, measured)
    return Advice(tuning, session.proposals(), after, before, starting)


def tuning_of(session: Session) -> Tuning:
    """The newest tuning of a session; RoomtuneError when nothing was advised yet."""
    from roomtune.processor.storage import read_tuning

    path = session.current("tuning")
    if path is None:
        raise RoomtuneError(
            f"The session {session.path.name} has no tuning yet. Run: roomtune advise"
        )
    return read_tuning(path)


def channel_takes(session: Session, through: str) -> tuple[Take, ...]:
    """The channel takes made through the tuning of that name, newest last."""
    entries = session.entries()
    return tuple(
        session.take(entry)
        for entry in entries
        if entry.kind == "channel" and entry.through == through and entry.grade != "repeat"
    )


def heard_scores(session: Session, system: System, through: str) -> Scores:
    """Scores of the channels as measured through the tuning named `through`."""
    from roomtune.advisor.measured import channels_from_takes
    from roomtune.advisor.scores import scores

    takes = channel_takes(session, through)
    correction = correction_of(session, system)
    channels, seats, responses = channels_from_takes(system, takes, correction)
    return scores(system, channels, seats, responses)
