"""The whole job in a virtual room, act by act, on the same functions as the commands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from roomtune.cli.new_command import copy_scenario
from roomtune.cli.project import SYSTEM, load_system
from roomtune.cli.report_command import keep_report
from roomtune.cli.responses import advice_of, heard_scores
from roomtune.cli.rounds import channel_round, run_round
from roomtune.cli.show import say
from roomtune.cli.stage import VirtualStage
from roomtune.cli.verify_command import session_through, verification_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from roomtune.advisor.measured import Measured
    from roomtune.advisor.proposal import Advice
    from roomtune.advisor.scores import Scores
    from roomtune.capture.interface import AudioInterface, Recording
    from roomtune.processor.tuning import Tuning
    from roomtune.session.comparison import Comparison
    from roomtune.session.folder import Session
    from roomtune.session.verification import Verification
    from roomtune.system.model import System
    from roomtune.virtual.room import VirtualRoom

FORMER = "before"


@dataclass(frozen=True)
class Act:
    """One round of the job: what was found, how it was, how it became."""

    title: str
    session: Session
    measured: Measured
    comparison: Comparison | None
    before: Scores
    after: Scores
    verification: Verification
    report: Path
    sound_s: float

    @property
    def findings(self) -> tuple[str, ...]:
        """What changed since the earlier act, in sentences; nothing for the first."""
        if self.comparison is None:
            return ()
        return (*(finding.text for finding in self.comparison.findings), self.comparison.reason)


def rehearse(scenario: str) -> list[Act]:
    """Tune the scenario in this folder; move the furniture; compare and tune again."""
    from roomtune.virtual.room import VirtualRoom
    from roomtune.virtual.scenario import load_scenario

    copy_scenario(scenario, Path())
    system = load_system()
    described = load_scenario(Path())
    room = VirtualRoom(described, system)
    say(
        f"The virtual room: {system.name}, {len(system.outputs)} outputs, {len(system.seats)} seats"
    )
    first = play_act(room, system, "first tuning", None)
    for change in [item.name for item in described.rearrangement][:1]:
        say(f"Meanwhile: {change}")
        return [first, play_act(room.rearranged(change), system, f"after: {change}", first)]
    return [first]


def play_act(room: VirtualRoom, system: System, title: str, earlier: Act | None) -> Act:
    """Measure, listen to how it is, advise, load, verify and report."""
    from roomtune.report.content import Content
    from roomtune.session.comparison import compare
    from roomtune.session.folder import Session

    stage = VirtualStage(room)
    session = Session.create(Path(), title, SYSTEM, state=title)
    session.keeps_recordings = False
    sound = measure_outputs(stage, session, system, earlier)
    measured, advice = advised(session, system, earlier)
    former = advice.starting
    listen(stage, session, system, former, FORMER)
    comparison = None if earlier is None else compare(system, earlier.measured, measured, former)
    session.save_advice(advice)
    listen(stage, session, system, advice.tuning, session_through(session))
    result = verification_of(session, system, measured, session_through(session))
    session.save_verification(result)
    before = heard_scores(session, system, FORMER)
    after = heard_scores(session, system, session_through(session))
    content = Content(
        system=system,
        session_name=session.name,
        created_at=session.created_at,
        state=session.state,
        measured=measured,
        advice=advice,
        verification=result,
        comparison=comparison,
        takes=session.takes(kind="output"),
    )
    report = keep_report(session, content)
    return Act(title, session, measured, comparison, before, after, result, report, sound)


def advised(session: Session, system: System, earlier: Act | None) -> tuple[Measured, Advice]:
    """A whole tuning the first time, later the smallest change that restores the result."""
    from roomtune.cli.responses import measured_of
    from roomtune.cli.retune_command import retuning_of
    from roomtune.session.retuning import retune_advice

    if earlier is None:
        return advice_of(session, system)
    measured = measured_of(session, system)
    found = retuning_of(system, earlier.session, measured)
    say(found.summary)
    return measured, retune_advice(measured, found, found.chosen)


def measure_outputs(
    stage: VirtualStage, session: Session, system: System, earlier: Act | None
) -> float:
    """Every output at every seat, the processor passing straight through; seconds of sound.

    The first time one by one, later with short overlapping sweeps.
    """
    from roomtune.capture.requests import CaptureSettings, output_requests
    from roomtune.capture.together import quick_settings
    from roomtune.cli.check_command import quick_round, room_of

    stage.load(None)
    counted = replace_interface(stage)
    seats = [seat.name for seat in system.seats]
    if earlier is None:
        requests = [r for s in seats for r in output_requests(system, CaptureSettings(), s)]
        run_round(stage, session, requests, "measuring outputs ")
    else:
        room = room_of(earlier.session)
        for seat in seats:
            quick_round(stage, session, output_requests(system, quick_settings(), seat), room)
    stage.interface = counted.interface
    return counted.sound_s


class Counted:
    """An audio interface that counts the seconds it plays, repeated takes and all."""

    def __init__(self, interface: AudioInterface) -> None:
        self.interface = interface
        self.sound_s = 0.0
        self.sample_rate_hz = interface.sample_rate_hz

    def play_and_record(self, signals: NDArray[np.float64], inputs: Sequence[int]) -> Recording:
        """Pass it on."""
        self.sound_s += len(signals) / self.sample_rate_hz
        return self.interface.play_and_record(signals, inputs)


def replace_interface(stage: VirtualStage) -> Counted:
    """Have everything that the stage plays counted."""
    counted = Counted(stage.interface)
    stage.interface = counted
    return counted


def listen(
    stage: VirtualStage, session: Session, system: System, tuning: Tuning, through: str
) -> None:
    """Every channel at every seat, through a tuning."""
    from roomtune.capture.requests import CaptureSettings

    stage.load(tuning)
    seats = [seat.name for seat in system.seats]
    requests = channel_round(system, CaptureSettings(), tuning, seats)
    run_round(stage, session, requests, "measuring channels", through)
