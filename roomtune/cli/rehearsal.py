"""The whole job in a virtual room, act by act, on the same functions as the commands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from roomtune.cli.new_command import copy_scenario
from roomtune.cli.project import SYSTEM, load_system
from roomtune.cli.report_command import keep_report
from roomtune.cli.responses import advice_of, heard_scores, tuning_of
from roomtune.cli.rounds import channel_round, run_round
from roomtune.cli.show import say
from roomtune.cli.stage import VirtualStage
from roomtune.cli.verify_command import session_through, verification_of

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.advisor.scores import Scores
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
    measure_outputs(stage, session, system)
    previous = None if earlier is None else tuning_of(earlier.session)
    measured, advice = advice_of(session, system, previous)
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
    return Act(title, session, measured, comparison, before, after, result, report)


def measure_outputs(stage: VirtualStage, session: Session, system: System) -> None:
    """Every output at every seat, the processor passing straight through."""
    from roomtune.capture.requests import CaptureSettings, output_requests

    stage.load(None)
    settings = CaptureSettings()
    requests = [r for seat in system.seats for r in output_requests(system, settings, seat.name)]
    run_round(stage, session, requests, "measuring outputs ")


def listen(
    stage: VirtualStage, session: Session, system: System, tuning: Tuning, through: str
) -> None:
    """Every channel at every seat, through a tuning."""
    from roomtune.capture.requests import CaptureSettings

    stage.load(tuning)
    seats = [seat.name for seat in system.seats]
    requests = channel_round(system, CaptureSettings(), tuning, seats)
    run_round(stage, session, requests, "measuring channels", through)
