"""roomtune verify: measure through the tuned amplifier and hold it against the prediction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, say, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomtune.advisor.measured import Measured
    from roomtune.capture.requests import CaptureSettings
    from roomtune.cli.stage import Stage
    from roomtune.session.folder import Session
    from roomtune.session.verdicts import Tolerance
    from roomtune.session.verification import Verification
    from roomtune.system.model import System


@click.command("verify")
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option("--seat", "seats", multiple=True, help="Only this seat (repeatable).")
@click.option(
    "--output",
    "outputs",
    multiple=True,
    help='Only this output, all others muted (repeatable, or "all"); at the main seat unless told.',
)
@click.option("--duration", "duration_s", type=click.FloatRange(0.5, 60), help="Sweep length, s.")
@click.option("--yes", is_flag=True, help="Play without asking; for scripts.")
@click.option("--virtual", help="Verify in this virtual room (folder or scenario name).")
@click.option("--rearrangement", help="Rearrange the virtual room first.")
@click.option(
    "--tolerance",
    type=click.Choice(["ours", "operational"]),
    default="ours",
    show_default=True,
    help="What passes: bands near the prediction, or the operational room response.",
)
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(
    choice: str | None,
    seats: tuple[str, ...],
    outputs: tuple[str, ...],
    duration_s: float | None,
    yes: bool,
    virtual: str | None,
    rearrangement: str | None,
    tolerance: str,
    json_wanted: bool,
) -> None:
    """Measure through the tuned amplifier and hold it against the prediction.

    Load tuning.json into the amplifier first. Every channel is measured at
    every seat; if it does not fit, the likely mistake is named. Exit status 1
    when the verification fails.

    With --output each output is heard alone, through the channel that drives it loudest:
    what it does by itself shows where its neighbours would cover it.

    Tolerance "ours": every third-octave band within 2 dB of the prediction, 0.8 dB
    rms, level 0.5 dB, arrival 0.1 ms, each widened by twice the uncertainty.
    "operational": the bands lie within the limits of ITU-R BS.1116-3 and EBU Tech
    3276 (numbers from memory: 3 dB about the mean, less strict above 2 kHz).
    """
    from roomtune.cli.measure_command import settings_for
    from roomtune.cli.project import open_session, system_of
    from roomtune.cli.stage import open_stage
    from roomtune.session.verdicts import Tolerance

    session = open_session(choice)
    system = system_of(session)
    stage = open_stage(system, virtual, rearrangement, unattended=yes)
    settings = settings_for(duration_s)
    if outputs:
        places = seats or (system.main_seat.name,)
        result = outputs_verified(stage, session, system, settings, outputs, places, yes)
    else:
        places = seats or tuple(seat.name for seat in system.seats)
        bounds = Tolerance(operational=tolerance == "operational")
        result = channels_verified(stage, session, system, settings, places, bounds, yes)
    if json_wanted:
        as_json(verification_as_json(result))
    else:
        show_verification(result, "output" if outputs else "channel")
    say("Next: roomtune report")
    if not result.passed:
        raise SystemExit(1)


def channels_verified(
    stage: Stage,
    session: Session,
    system: System,
    settings: CaptureSettings,
    seats: Sequence[str],
    bounds: Tolerance,
    yes: bool,
) -> Verification:
    """Every channel at these seats, measured, held against the prediction, kept."""
    from roomtune.cli.measure_command import loudest_dbfs, sound_s
    from roomtune.cli.responses import measured_of, tuning_of
    from roomtune.cli.rounds import channel_round, run_round
    from roomtune.cli.stage import consent

    tuning = tuning_of(session)
    requests = channel_round(system, settings, tuning, seats)
    consent(loudest_dbfs(requests), len(requests), sound_s(requests), yes)
    stage.load(tuning)
    through = session_through(session)
    for sentence in run_round(stage, session, requests, "verifying", through):
        say(f"Not usable: {sentence}")
    result = verification_of(session, system, measured_of(session, system), through, bounds)
    session.save_verification(result)
    return result


def outputs_verified(
    stage: Stage,
    session: Session,
    system: System,
    settings: CaptureSettings,
    names: Sequence[str],
    seats: Sequence[str],
    yes: bool,
) -> Verification:
    """These outputs alone at these seats, measured, held against the prediction, kept."""
    from roomtune.cli import alone
    from roomtune.cli.measure_command import loudest_dbfs, sound_s
    from roomtune.cli.responses import measured_of, tuning_of
    from roomtune.cli.stage import consent

    tuning = tuning_of(session)
    outputs = alone.chosen_outputs(tuning, names)
    requests = [
        (output, alone.request_alone(system, settings, tuning, output, seat))
        for seat in seats
        for output in outputs
    ]
    sounds = [request for _, request in requests]
    consent(loudest_dbfs(sounds), len(sounds), sound_s(sounds), yes)
    stage.load(tuning)
    through = session_through(session)
    alone.measure_alone(stage, session, tuning, requests, through)
    measured = measured_of(session, system)
    return alone.verification_alone(session, system, measured, tuning, outputs, through)


def session_through(session: Session) -> str:
    """The name of the newest tuning, as takes made through it are marked."""
    path = session.current("tuning")
    return path.name if path else ""


def verification_of(
    session: Session,
    system: System,
    measured: Measured,
    through: str,
    tolerance: Tolerance | None = None,
) -> Verification:
    """Hold the channel takes made through a tuning against its prediction."""
    from dataclasses import replace

    from roomtune.advisor.prediction import predict
    from roomtune.cli.responses import channel_takes, correction_of, tuning_of
    from roomtune.session.verification import verify

    tuning = tuning_of(session)
    result = verify(
        system,
        predict(tuning, measured),
        channel_takes(session, through),
        correction_of(session, system),
        tuning=tuning,
        measured=measured,
        tolerance=tolerance,
    )
    return replace(result, through=through)


def kept_verification(session: Session, sort: str = "verification") -> Verification | None:
    """The session's newest verification, unless it was made through an earlier tuning.

    Files of earlier versions do not say through which; they are taken as they are.
    """
    kept = session.verification(sort)
    fitting = kept is not None and kept.through in ("", session_through(session))
    return kept if fitting else None


def verification_as_json(result: Verification) -> dict[str, object]:
    """The verification as plain values."""
    from dataclasses import asdict

    return {
        "passed": result.passed,
        "rms_db": result.rms_db,
        "summary": result.summary,
        "notes": list(result.notes),
        "diagnosis": [asdict(found) for found in result.diagnosis],
        "rows": [
            {
                "channel": row.channel,
                "seat": row.seat,
                "rms_db": row.rms_db,
                "level_db": row.level_db,
                "arrival_ms": row.arrival_ms,
                "polarity": row.polarity,
                "faults": list(row.faults),
            }
            for row in result.rows
        ],
    }


def show_verification(result: Verification, what: str = "channel") -> None:
    """Print a line per channel (or output) and seat, then the result in words."""
    table(
        "Measured minus predicted",
        (what, "seat", "rms dB", "level dB", "arrival ms", "result"),
        [
            (
                row.channel,
                row.seat,
                f"{row.rms_db:.2f}",
                f"{row.level_db:+.2f}",
                f"{row.arrival_ms:+.3f}",
                "; ".join(row.faults) or "passed",
            )
            for row in result.rows
        ],
    )
    echo(result.summary)
