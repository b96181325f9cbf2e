"""roomtune report: one HTML file that tells a session."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import say

if TYPE_CHECKING:
    from roomtune.report.content import Content
    from roomtune.session.folder import Session
    from roomtune.system.model import System


@click.command("report")
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option("--since", help="Also tell what changed since this session.")
@click.option(
    "--figures",
    type=click.Path(path_type=Path, file_okay=False),
    help="Also write every figure into this folder.",
)
@click.option("--form", type=click.Choice(["svg", "png", "pdf"]), default="svg", help="Of figures.")
def command(choice: str | None, since: str | None, figures: Path | None, form: str) -> None:
    """Write the report of a session as one self-contained HTML file.

    It holds whatever the session has by now: takes, advice, verification.
    """
    from roomtune.cli.project import open_session, system_of

    session = open_session(choice)
    system = system_of(session)
    content = content_of(session, system, open_session(since) if since else None)
    say(f"Wrote {keep_report(session, content)}.")
    if figures is not None:
        say(f"Wrote {write_figures(figures, content, form)} figures into {figures}.")


def content_of(session: Session, system: System, earlier: Session | None = None) -> Content:
    """Everything that a session holds by now."""
    from roomtune.advisor.measured import measured_from_takes
    from roomtune.cli.alone import ALONE
    from roomtune.cli.responses import correction_of, kept_advice, measured_of, tuning_of
    from roomtune.cli.verify_command import kept_verification
    from roomtune.report.content import Content
    from roomtune.session.comparison import compare

    takes = session.takes(kind="output")
    measured = measured_from_takes(system, takes, correction_of(session, system))
    comparison, former = None, None
    if earlier is not None:
        former = tuning_of(earlier) if earlier.current("tuning") else None
        comparison = compare(system, measured_of(earlier, system), measured, former)
    return Content(
        system=system,
        session_name=session.name,
        created_at=session.created_at,
        state=session.state,
        notes=tuple(note["text"] for note in session.notes),
        measured=measured,
        advice=kept_advice(session, system, measured),
        verification=kept_verification(session),
        alone=kept_verification(session, ALONE),
        comparison=comparison,
        takes=takes,
    )


def keep_report(session: Session, content: Content) -> Path:
    """Keep the report in the session; returns its path."""
    from roomtune.report.html import report_html

    return session.save("report", ".html", report_html(content).encode())


def write_figures(folder: Path, content: Content, form: str) -> int:
    """Write every figure of the report; returns how many. RoomtuneError when it cannot."""
    from roomtune.errors import RoomtuneError
    from roomtune.report.curves import all_plots
    from roomtune.report.figures import figure_bytes
    from roomtune.session.names import safe_name

    plots = all_plots(content)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number, plot in enumerate(plots, start=1):
            name = f"{number:02d}-{safe_name(plot.title)}.{form}"
            (folder / name).write_bytes(figure_bytes(plot, form))
    except OSError as error:
        raise RoomtuneError(f"The figures cannot be written into {folder}: {error}.") from error
    return len(plots)
