"""roomtune analyse: what the takes of a session say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from roomtune.cli.show import echo, say
from roomtune.errors import RoomtuneError

if TYPE_CHECKING:
    from roomtune.analysis.microphone import MicrophoneCorrection
    from roomtune.report.subject import Choices
    from roomtune.report.view import View
    from roomtune.report.views import Entry

MOST_PARTS = 6
FORMS = ("png", "svg", "pdf")
FILE = click.Path(path_type=Path, dir_okay=False)


class AnalyseCommand(click.Command):
    """A command whose help lists the views."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the views with what each of them can be told."""
        from roomtune.report.views import VIEWS

        with formatter.section("Views"):
            formatter.write_dl(
                [(name, entry.line + _takes(entry.options)) for name, entry in VIEWS.items()]
            )


@click.command("analyse", cls=AnalyseCommand)
@click.argument("view", default="overview")
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option("--output", "outputs", multiple=True, help="Only this output; may be repeated.")
@click.option("--seat", "seats", multiple=True, help='At this seat ("all": every seat).')
@click.option("--smoothing", help="1/1 to 1/48 of an octave, ear, or none.")
@click.option("--window", help="What counts after the arrival: whole, 6cycles, 20ms.")
@click.option("--until", type=click.FloatRange(min=1), help="Show so many milliseconds.")
@click.option("--thirds", is_flag=True, default=None, help="Third-octave bands, not octaves.")
@click.option("--near", help="Session made with the microphone at the cones.")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
@click.option("--csv", "csv_path", type=FILE, help="Write the curves, or the table, as CSV.")
@click.option("--figure", "figure_path", type=FILE, help="Draw it: .png, .svg or .pdf.")
def command(
    view: str,
    choice: str | None,
    outputs: tuple[str, ...],
    seats: tuple[str, ...],
    json_wanted: bool,
    csv_path: Path | None,
    figure_path: Path | None,
    **told: Any,
) -> None:
    """Show what every output does, and what the room does.

    Without VIEW an overview; the views below look closer. Unless you choose,
    they show every output at the main seat.
    """
    from roomtune.cli.looking import subject_of
    from roomtune.cli.project import open_session

    entry = _entry(view, told)
    session = open_session(choice)
    near = None if told["near"] is None else open_session(told["near"])
    subject = subject_of(session, entry, outputs, seats, _choices(entry, told), near)
    if figure_path is not None:
        _can_be_drawn(figure_path, view, entry, len(subject.pairs()))
    tell_correction(subject.correction)
    found = entry.look(subject)
    if csv_path is not None:
        write_csv(csv_path, found)
    if figure_path is not None:
        write_figure(figure_path, found)
    if json_wanted:
        echo(_as_json(view, session.path.name, subject.level_unit, found).decode(), nl=False)
        return
    show(found, view)


def _as_json(name: str, session: str, unit: str, found: View) -> bytes:
    """A view as JSON: what it is of, its tables by their keys, its curves."""
    from roomtune.report.view import as_plain
    from roomtune.session.codec import readable_json

    return readable_json({"view": name, "session": session, "unit": unit, **as_plain(found)})


def _entry(view: str, told: dict[str, Any]) -> Entry:
    """The view of that name; RoomtuneError for an unknown one, or for choices it does not know."""
    from roomtune.report.views import VIEWS

    if view not in VIEWS:
        raise RoomtuneError(f"There is no view {view!r}. Views: {', '.join(VIEWS)}.")
    entry = VIEWS[view]
    for name, value in told.items():
        if value is not None and name not in entry.options:
            able = [other for other, item in VIEWS.items() if name in item.options]
            raise RoomtuneError(
                f"The view {view} does not change with --{name}. These do: {', '.join(able)}."
            )
    return entry


def _can_be_drawn(path: Path, view: str, entry: Entry, pairs: int) -> None:
    """Say before any work what cannot be drawn; RoomtuneError then."""
    if path.suffix[1:].lower() not in FORMS:
        raise RoomtuneError(f"A figure ends in .png, .svg or .pdf, not {path.suffix!r}.")
    if entry.picture == "none":
        raise RoomtuneError(f"The view {view} is a table: it has no figure.")
    if entry.picture == "each" and pairs > MOST_PARTS:
        raise RoomtuneError(
            f"{pairs} figures do not fit one page: choose up to {MOST_PARTS} with --output and "
            "--seat."
        )


def _choices(entry: Entry, told: dict[str, Any]) -> Choices:
    from roomtune.cli.looking import smoothing_of, window_of
    from roomtune.report.subject import Choices

    smoothing = told["smoothing"]
    cycles, window_s = window_of(told["window"] or "whole")
    return Choices(
        entry.smoothing if smoothing is None else smoothing_of(smoothing),
        cycles,
        window_s,
        told["until"],
        bool(told["thirds"]),
    )


def _takes(options: tuple[str, ...]) -> str:
    return f" ({', '.join(f'--{name}' for name in options)})" if options else ""


def tell_correction(correction: MicrophoneCorrection | None) -> None:
    """Say what was read of the microphone's correction, and what was not."""
    if correction is None:
        say("No microphone correction: the response shown includes the microphone's own.")
        return
    low, high = correction.frequencies_hz[[0, -1]]
    say(
        f"Microphone correction {correction.name}: {correction.frequencies_hz.size} points from "
        f"{low:g} to {high:g} Hz, {'level only' if correction.phase_deg is None else 'with phase'}."
    )
    for line in correction.skipped:
        if line.reason != "comment":
            say(f"Skipped in it: {line}")


def show(found: View, name: str) -> None:
    """Print the tables and sentences of a view, and what to look for."""
    from roomtune.report.view import as_lines

    for place, sheet in enumerate(found.sheets):
        if place:
            echo()
        echo("\n".join(as_lines(sheet)))
    if found.sentences:
        echo()
    for sentence in found.sentences:
        echo(sentence)
    say()
    say(click.wrap_text(f"Look for: {found.look_for}", 80))
    if name == "overview":
        say("Closer looks: roomtune analyse --help. Next: roomtune advise")


def write_csv(path: Path, found: View) -> None:
    """Write a view's curves, or its table, as CSV: units in the headings, every digit kept.

    Raises RoomtuneError when the file cannot be written.
    """
    import csv

    from roomtune.report.view import as_table

    rows = as_table(found)
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(
                ["" if cell is None else cell for cell in row] for row in rows
            )
    except OSError as error:
        raise RoomtuneError(f"{path} cannot be written: {error}.") from error
    say(f"Wrote {path}: {len(rows) - 1} rows, {len(rows[0])} columns.")


def write_figure(path: Path, found: View) -> None:
    """Draw a view's figures one below the other into one file.

    Raises RoomtuneError when the file cannot be written.
    """
    from roomtune.report.surfaces import figure_bytes

    data = figure_bytes(found.figures, path.suffix[1:].lower(), found.title)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise RoomtuneError(f"{path} cannot be written: {error}.") from error
    say(f"Wrote {path}.")
