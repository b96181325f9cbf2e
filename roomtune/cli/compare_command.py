"""roomtune compare: what changed between sessions."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, say, table
from roomtune.errors import RoomtuneError

if TYPE_CHECKING:
    from roomtune.session.comparison import Comparison
    from roomtune.session.folder import Session
    from roomtune.session.history import History
    from roomtune.system.model import System


@click.command("compare")
@click.argument("first")
@click.argument("others", nargs=-1)
@click.option(
    "--figure",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also draw it into this file (.png, .svg or .pdf).",
)
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(first: str, others: tuple[str, ...], figure: Path | None, json_wanted: bool) -> None:
    """Say what changed from the session FIRST to the session OTHERS.

    Sessions are given by name, folder or state of the room; with FIRST alone it
    is held against the newest. With more than two, a history: a line for each,
    and what changed from one to the next. With a tuning in the first session, it
    also says whether retuning is worth it.
    """
    from roomtune.cli.project import open_session, system_of

    sessions = [open_session(choice) for choice in (first, *(others or (None,)))]
    told = history_of(system_of(sessions[-1]), sessions)
    if json_wanted:
        as_json(history_as_json(told))
    elif len(sessions) == 2:
        echo(f"{sessions[0].path.name} -> {sessions[1].path.name}")
        show_findings(told.since_first[0])
    else:
        show_history(told)
    if figure is not None:
        say(f"Wrote {draw(figure, told)}.")
    if told.since_first[-1].worth_retuning:
        say("Next: roomtune retune (the fewest values to type), or roomtune advise (everything)")


def history_of(system: System, sessions: list[Session]) -> History:
    """The sessions held against each other, with the tuning of the first if it has one.

    Raises RoomtuneError for sessions that have nothing in common.
    """
    from roomtune.cli.responses import measured_of, tuning_of
    from roomtune.session.history import Moment, history

    tuning = tuning_of(sessions[0]) if sessions[0].current("tuning") else None
    moments = [Moment(s.name, s.created_at, s.state) for s in sessions]
    try:
        return history(system, moments, [measured_of(s, system) for s in sessions], tuning)
    except ValueError as error:
        raise RoomtuneError(f"These sessions cannot be compared: {error}.") from error


def show_findings(result: Comparison) -> None:
    """Print what changed and whether it matters."""
    from roomtune.session.comparison import NOTHING

    if not result.findings:
        echo(NOTHING)
    for finding in result.findings:
        echo(f"- {finding.text}")
    echo(result.reason)


def show_history(told: History) -> None:
    """Print a line for each session, then what changed from one to the next."""
    headings = ("session", "made", "off target dB", "levels dB", "arrivals ms", "L/R dB", "retune")
    worth = ("", *("worth it" if c.worth_retuning else "no need" for c in told.since_first))
    rows = [
        (moment.name, moment.at[:16].replace("T", " "), *_figure_texts(figures), word)
        for moment, figures, word in zip(told.moments, told.figures, worth, strict=True)
    ]
    title = "What the tuning of the first session gives" if told.figures[0] else "History"
    table(title, headings, rows)
    for (before, after), result in zip(pairwise(told.moments), told.step, strict=True):
        echo(f"\n{before.name} -> {after.name}")
        show_findings(result)


def _figure_texts(figures: dict[str, float]) -> tuple[str, ...]:
    keys = ("deviation_db", "level_spread_db", "arrival_spread_ms", "left_right_mismatch_db")
    digits = {"arrival_spread_ms": 3}
    return tuple(
        f"{figures[key]:.{digits.get(key, 2)}f}" if key in figures else "-" for key in keys
    )


def draw(path: Path, told: History) -> Path:
    """Write the figure; RoomtuneError for an unknown ending."""
    from roomtune.report.history_figure import write_history_figure

    try:
        return write_history_figure(path, told)
    except ValueError as error:
        raise RoomtuneError(f"{path}: {error}.") from error


def history_as_json(told: History) -> dict[str, object]:
    """The comparison as plain values: of two sessions, or a history of more."""
    from dataclasses import asdict

    def plain(result: Comparison) -> dict[str, object]:
        return {
            "findings": [
                {**asdict(finding), "uncertainty": finding.uncertainty}
                for finding in result.findings
            ],
            "worth_retuning": result.worth_retuning,
            "reason": result.reason,
        }

    if len(told.moments) == 2:
        return plain(told.since_first[0])
    return {
        "sessions": [
            {**asdict(moment), "figures": figures}
            for moment, figures in zip(told.moments, told.figures, strict=True)
        ],
        "since_first": [plain(result) for result in told.since_first],
        "step": [plain(result) for result in told.step],
    }
