"""roomtune rehearse: the whole job in a virtual room, without any hardware."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, say, table

if TYPE_CHECKING:
    from roomtune.advisor.scores import Scores
    from roomtune.cli.rehearsal import Act


@click.command("rehearse")
@click.argument("folder", default="rehearsal", type=click.Path(path_type=Path, file_okay=False))
@click.option("--scenario", default="garden-studio", show_default=True, help="Which virtual room.")
@click.option("--json", "json_wanted", is_flag=True, help="Print the figures as JSON.")
def command(folder: Path, scenario: str, json_wanted: bool) -> None:
    """Do the whole job in a virtual room, without any hardware.

    In FOLDER ("rehearsal" unless given): measure every output at every seat,
    advise, load the tuning, verify, report; then the furniture moves, and all
    is measured, compared, tuned and verified again.
    """
    from roomtune.cli.rehearsal import rehearse

    folder.mkdir(parents=True, exist_ok=True)
    os.chdir(folder)
    acts = rehearse(scenario)
    if json_wanted:
        as_json([figures(act) for act in acts])
    else:
        for act in acts:
            show_act(act)
    for act in acts:
        say(f"{act.title}, from {act.sound_s:.0f} s of sound: {act.verification.summary}")
    say(f"The report is {(Path(folder.name) / acts[0].report)}")
    say(f"and, after the furniture moved, {(Path(folder.name) / acts[-1].report)}")
    if not all(act.verification.passed for act in acts):
        raise SystemExit(1)


def show_act(act: Act) -> None:
    """Print what was found and the figures before and after."""
    for finding in act.findings:
        echo(f"- {finding}")
    table(act.title, ("figure", "before", "after"), score_rows(act.before, act.after))
    echo()


def score_rows(before: Scores, after: Scores) -> list[tuple[str, str, str]]:
    """The figures of merit, before and after, with their units."""
    figures = (
        ("channel levels, 500 Hz to 2 kHz, within (dB)", "level_spread_db", 2),
        ("channel arrivals within (ms)", "arrival_spread_ms", 3),
        ("left/right, largest third-octave difference (dB)", "left_right_mismatch_db", 2),
        ("seat average off the target, 40 Hz to 16 kHz (dB rms)", "deviation_db", 2),
    )
    return [
        (text, f"{getattr(before, name):.{digits}f}", f"{getattr(after, name):.{digits}f}")
        for text, name, digits in figures
    ]


def figures(act: Act) -> dict[str, object]:
    """The same figures as plain values."""
    names = ("level_spread_db", "arrival_spread_ms", "left_right_mismatch_db", "deviation_db")
    return {
        "act": act.title,
        "findings": list(act.findings),
        "before": {name: getattr(act.before, name) for name in names},
        "after": {name: getattr(act.after, name) for name in names},
        "verified": act.verification.passed,
        "verified_rms_db": act.verification.rms_db,
        "sound_s": act.sound_s,
        "report": str(act.report),
    }
