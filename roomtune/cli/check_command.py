"""roomtune check: one seat, all outputs together, and plain words on what changed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, progress, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomtune.advisor.measured import Measured
    from roomtune.capture.expected_room import Room
    from roomtune.capture.measure import CapturedTake
    from roomtune.capture.requests import TakeRequest
    from roomtune.cli.stage import Stage
    from roomtune.processor.tuning import Tuning
    from roomtune.session.comparison import Comparison
    from roomtune.session.folder import Session
    from roomtune.system.model import System

ALLOWED_S = 120.0


@click.command("check")
@click.option("--since", help="The session to hold it against; the newest with a tuning otherwise.")
@click.option("--seat", help="Where the microphone stands; the main seat otherwise.")
@click.option("--state", default="", help='State of the room, such as "doors closed".')
@click.option("--yes", is_flag=True, help="Play without asking; for scripts.")
@click.option("--virtual", help="Measure in this virtual room (folder or scenario name).")
@click.option("--rearrangement", help="Rearrange the virtual room first.")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(
    since: str | None,
    seat: str | None,
    state: str,
    yes: bool,
    virtual: str | None,
    rearrangement: str | None,
    json_wanted: bool,
) -> None:
    """Tell in two minutes whether anything changed.

    All outputs are measured at one seat, their sweeps overlapping, the amplifier
    passing straight through, and held against an earlier session. Says in plain
    words what changed, whether a new tuning is worth it, and what to type where
    delays and levels alone bring it back. Exit status 1 when something changed.
    """
    from roomtune.capture.requests import output_requests
    from roomtune.capture.together import plan_seat, quick_settings
    from roomtune.cli.compare_command import show_findings
    from roomtune.cli.measure_command import loudest_dbfs
    from roomtune.cli.project import QUICK, SYSTEM, load_system, open_session, tuned_before
    from roomtune.cli.stage import consent, open_stage
    from roomtune.session.folder import Session

    system = load_system()
    earlier = open_session(since) if since else tuned_before()
    room = room_of(earlier)
    requests = output_requests(system, quick_settings(), seat or system.main_seat.name)
    plan = plan_seat(requests, room)
    for reason in (*plan.reasons, *too_long(plan.time_s)):
        say(reason)
    stage = open_stage(system, virtual, rearrangement, unattended=yes)
    consent(loudest_dbfs(requests), len(requests), plan.time_s, yes)
    stage.load(None)
    session = Session.create(Path(), QUICK, SYSTEM, state=state, tags=(QUICK,))
    quick_round(stage, session, requests, room)
    result, advice = told(system, earlier, session)
    session.save_comparison(result)
    if json_wanted:
        as_json(check_as_json(result, advice, plan.time_s))
    else:
        echo(f"{earlier.path.name} -> now, {plan.time_s:.0f} s of sound")
        show_findings(result)
        for sentence in advice:
            echo(sentence)
    if result.changed:
        raise SystemExit(1)


def room_of(earlier: Session) -> Room:
    """What the earlier takes tell of decay, distortion and levels."""
    from roomtune.capture.expected_room import expected_room

    return expected_room(earlier.takes(kind="output"))


def too_long(time_s: float) -> tuple[str, ...]:
    """A sentence when it takes longer than promised, and why."""
    if time_s <= ALLOWED_S:
        return ()
    return (
        f"This will take {time_s / 60:.1f} minutes: outputs that are switched by hand, or that "
        "share no time reference, cannot sound together.",
    )


def quick_round(
    stage: Stage, session: Session, requests: Sequence[TakeRequest], room: Room
) -> None:
    """Capture one seat, keeping each take."""
    from roomtune.capture.together import capture_seat

    stage.go_to(requests[0].seat)
    with progress(len(requests), "checking") as advance:

        def keep(captured: CapturedTake) -> None:
            session.add(captured)
            advance(captured.take.source, captured.take.verdict.grade != "repeat")

        capture_seat(
            stage.interface, requests, room, on_captured=keep, before_by_hand=stage.switch_to
        )
    if any(request.by_hand for request in requests):
        stage.switch_back()


def told(system: System, earlier: Session, session: Session) -> tuple[Comparison, tuple[str, ...]]:
    """The comparison with the earlier session at this seat, and what to do about it."""
    from roomtune.cli.responses import measured_of, tuning_of
    from roomtune.session.comparison import compare

    now = measured_of(session, system)
    before = measured_of(earlier, system).selected(now.seats)
    tuning = tuning_of(earlier) if earlier.current("tuning") else None
    result = compare(system, before, now, tuning)
    if tuning is None or not result.worth_retuning:
        return result, ()
    return result, next_step(system, before, now, tuning)


def next_step(system: System, before: Measured, now: Measured, tuning: Tuning) -> tuple[str, ...]:
    """Values to type at once where delays and levels bring it back; else to measure all seats."""
    from roomtune.session.retuning import smallest_retune, tuning_scores

    found = smallest_retune(system, now, tuning, tuning_scores(system, before, tuning))
    if found.chosen.restores and found.needed:
        typed = tuple(f"  {entry}" for entry in found.chosen.entries)
        return (found.summary, *typed)
    return (
        "Delays and levels alone do not bring it back: measure every seat (roomtune measure), "
        "then roomtune retune.",
    )


def check_as_json(result: Comparison, advice: tuple[str, ...], sound_s: float) -> dict[str, object]:
    """The check as plain values."""
    from dataclasses import asdict

    return {
        "changed": result.changed,
        "worth_retuning": result.worth_retuning,
        "findings": [
            {**asdict(finding), "uncertainty": finding.uncertainty} for finding in result.findings
        ],
        "reason": result.reason,
        "advice": list(advice),
        "sound_s": sound_s,
    }
