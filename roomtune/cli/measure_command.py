"""roomtune measure: every output at every seat, kept as it is made."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import say
from roomtune.errors import RoomtuneError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomtune.capture.requests import CaptureSettings, TakeRequest
    from roomtune.system.model import System


@click.command("measure")
@click.option("--session", "name", default="measurement", help="Name of the new session.")
@click.option("--state", default="", help='State of the room, such as "doors closed".')
@click.option("--resume", is_flag=True, help="Go on with the newest session where it stopped.")
@click.option("--seat", "seats", multiple=True, help="Only this seat (repeatable).")
@click.option("--output", "outputs", multiple=True, help="Only this output (repeatable).")
@click.option("--duration", "duration_s", type=click.FloatRange(0.5, 60), help="Sweep length, s.")
@click.option("--yes", is_flag=True, help="Play without asking; for scripts.")
@click.option("--virtual", help="Measure in this virtual room (folder or scenario name).")
@click.option("--rearrangement", help="Rearrange the virtual room first.")
@click.option(
    "--to-file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a WAV file to be played by any player instead of playing now.",
)
def command(
    name: str,
    state: str,
    resume: bool,
    seats: tuple[str, ...],
    outputs: tuple[str, ...],
    duration_s: float | None,
    yes: bool,
    virtual: str | None,
    rearrangement: str | None,
    to_file: Path | None,
) -> None:
    """Measure every output at every seat.

    One sweep per output and seat, inside the output's safe band and under its
    level limit. Every take is judged, repeated if bad, and kept at once; a
    stopped measurement goes on with --resume.
    """
    from roomtune.cli.project import SYSTEM, load_system, open_session
    from roomtune.cli.rounds import run_round
    from roomtune.cli.stage import consent, open_stage
    from roomtune.session.folder import Session

    system = load_system()
    requests = wanted_requests(system, settings_for(duration_s), seats, outputs)
    if to_file is not None:
        write_file(to_file, requests)
        return
    stage = open_stage(system, virtual, rearrangement, unattended=yes)
    session = open_session() if resume else None
    todo = session.remaining(requests) if session else requests
    if not todo:
        say("Every take is there already. Next: roomtune advise")
        return
    consent(loudest_dbfs(todo), len(todo), sound_s(todo), yes)
    session = session or Session.create(Path(), name, SYSTEM, state=state)
    say(f"Keeping the takes in {session.path}")
    bad = run_round(stage, session, todo, "measuring")
    for sentence in bad:
        say(f"Measure again: {sentence}")
    say(f"{len(todo) - len(bad)} of {len(todo)} takes are usable. Next: roomtune advise")
    if bad:
        raise SystemExit(1)


def settings_for(duration_s: float | None) -> CaptureSettings:
    """The usual capture settings, with another sweep length where one is wanted."""
    from roomtune.capture.requests import CaptureSettings

    return CaptureSettings() if duration_s is None else CaptureSettings(sweep_duration_s=duration_s)


def wanted_requests(
    system: System,
    settings: CaptureSettings,
    seats: tuple[str, ...],
    outputs: tuple[str, ...],
) -> tuple[TakeRequest, ...]:
    """Requests of the chosen outputs at the chosen seats; all where none is chosen.

    Raises RoomtuneError for a name that the system does not have.
    """
    from roomtune.capture.requests import output_requests

    known = [output.name for output in system.outputs]
    unknown = [name for name in outputs if name not in known]
    if unknown:
        raise RoomtuneError(f"There is no output {unknown[0]!r}; outputs are {', '.join(known)}.")
    places = seats or tuple(seat.name for seat in system.seats)
    return tuple(
        request
        for seat in places
        for request in output_requests(system, settings, seat)
        if not outputs or request.source in outputs
    )


def loudest_dbfs(requests: Sequence[TakeRequest]) -> float:
    """Peak level of the loudest sweep."""
    return max(request.level_dbfs for request in requests)


def sound_s(requests: Sequence[TakeRequest]) -> float:
    """How long the takes last together."""
    from roomtune.capture.stimulus import schedule

    return sum(schedule(request).total_s for request in requests)


def write_file(path: Path, requests: tuple[TakeRequest, ...]) -> None:
    """Write the playback file and its plan, and say how to go on."""
    from roomtune.capture.exchange import write_playback

    seats = {request.seat for request in requests}
    if len(seats) > 1:
        raise RoomtuneError(
            f"One file holds one seat, but there are {len(seats)}: choose with --seat."
        )
    plan = write_playback(path, requests)
    say(f"Wrote {path} and its plan {plan}.")
    say("Play it through the amplifier at a low level first, record it with any recorder,")
    say(f"then: roomtune import RECORDING --plan {plan}")
