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
    from roomtune.capture.ways import Way
    from roomtune.cli.stage import Stage
    from roomtune.session.folder import Session
    from roomtune.system.model import System

LISTEN_S = 4.0


@click.command("measure")
@click.option("--session", "name", default="measurement", help="Name of the new session.")
@click.option("--state", default="", help='State of the room, such as "doors closed".')
@click.option("--resume", is_flag=True, help="Go on with the newest session where it stopped.")
@click.option("--seat", "seats", multiple=True, help="Only this seat (repeatable).")
@click.option("--output", "outputs", multiple=True, help="Only this output (repeatable).")
@click.option("--duration", "duration_s", type=click.FloatRange(0.5, 60), help="Sweep length, s.")
@click.option(
    "--repeats",
    type=click.IntRange(1, 32),
    default=1,
    show_default=True,
    help="Sweeps per take; their mean is kept too, without the disturbed ones.",
)
@click.option(
    "--follow-noise",
    is_flag=True,
    help="Listen first; sweep more quietly where the room is quiet.",
)
@click.option(
    "--together/--one-by-one",
    "together",
    default=None,
    help="Overlap the sweeps at every seat, or at none. Otherwise the first seat is measured one "
    "by one, and what it tells of room and drivers lets the sweeps overlap at the others.",
)
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
    repeats: int,
    follow_noise: bool,
    together: bool | None,
    yes: bool,
    virtual: str | None,
    rearrangement: str | None,
    to_file: Path | None,
) -> None:
    """Measure every output at every seat.

    One sweep per output and seat, inside the output's safe band and under its
    level limit. Every take is judged, repeated if bad, and kept at once; a
    stopped measurement goes on with --resume. Outputs that are switched by hand
    are measured one by one.
    """
    from roomtune.cli.project import SYSTEM, load_system, open_session
    from roomtune.cli.rounds import run_round
    from roomtune.cli.stage import consent, open_stage
    from roomtune.session.folder import Session
    from roomtune.session.room_on_disk import check_room

    system = load_system()
    requests = wanted_requests(system, settings_for(duration_s, repeats), seats, outputs)
    if to_file is not None and (follow_noise or repeats > 1):
        raise RoomtuneError(
            "A file is written without listening and played once: leave --follow-noise and "
            "--repeats out."
        )
    if to_file is not None:
        write_file(to_file, requests)
        return
    stage = open_stage(system, virtual, rearrangement, unattended=yes)
    if follow_noise:
        requests = after_listening(stage, system, requests)
    session = open_session() if resume else None
    todo = session.remaining(requests) if session else requests
    if not todo:
        say("Every take is there already. Next: roomtune advise")
        return
    check_room(session.path if session else Path(), [*todo] * repeats)
    way: Way = "learning" if together is None else "together" if together else "one by one"
    seconds = repeats * foresee(way, session, todo)
    consent(loudest_dbfs(todo), repeats * len(todo), seconds, yes)
    session = session or Session.create(Path(), name, SYSTEM, state=state)
    say(f"Keeping the takes in {session.path}")
    bad = run_round(stage, session, todo, "measuring", way=way)
    for sentence in bad:
        say(f"Measure again: {sentence}")
    say(f"{len(todo) - len(bad)} of {len(todo)} takes are usable. Next: roomtune advise")
    if bad:
        raise SystemExit(1)


def foresee(way: Way, session: Session | None, todo: Sequence[TakeRequest]) -> float:
    """Say how the takes will be made; returns the seconds of sound if each is made once."""
    from roomtune.capture.ways import Learner, foreseen, told

    kept = session.takes(kind="output") if session and way != "one by one" else ()
    plans = foreseen(todo, Learner(way, kept))
    for sentence in told(plans):
        say(sentence)
    return sum(plan.time_s for plan in plans)


def after_listening(
    stage: Stage, system: System, requests: tuple[TakeRequest, ...]
) -> tuple[TakeRequest, ...]:
    """The requests with sweeps that follow the noise at the first seat."""
    from roomtune.capture.emphasis import follow_noise
    from roomtune.capture.listening import listen, noise_report

    stage.go_to(requests[0].seat)
    say(f"Listening for {LISTEN_S:g} s; nothing is played.")
    heard = listen(stage.interface, system.microphone.interface_input, LISTEN_S)
    noise = noise_report(heard, stage.interface.sample_rate_hz)
    return tuple(follow_noise(request, noise) for request in requests)


def settings_for(duration_s: float | None, repeats: int = 1) -> CaptureSettings:
    """The usual capture settings, with another sweep length where one is wanted."""
    from roomtune.capture.requests import CaptureSettings

    if duration_s is None:
        return CaptureSettings(repeats=repeats)
    return CaptureSettings(sweep_duration_s=duration_s, repeats=repeats)


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
    """Write the playback file and its plan, and say how to go on.

    Raises RoomtuneError for requests at more than one seat.
    """
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
