"""roomtune export: the tuning or the responses for other programs and for fingers."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from roomtune.cli.show import say

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.processor.tuning import Tuning
    from roomtune.report.sheet_layout import SheetLayout
    from roomtune.session.folder import Session
    from roomtune.system.model import System

NAMES = {
    "settings": "settings.pdf",
    "settings-csv": "settings.csv",
    "tuning": "tuning.json",
    "biquads": "biquads.csv",
    "fir": "fir",
    "impulses": "impulse-responses",
    "columns": "columns",
    "predicted": "predicted",
    "sofa": "responses.sofa",
}


@click.command("export")
@click.argument("what", type=click.Choice(list(NAMES)))
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option("--to", type=click.Path(path_type=Path), help="File or folder to write.")
@click.option("--number-format", help='Of biquads, such as "5.23"; float64 otherwise.')
@click.option(
    "--feedback",
    type=click.Choice(["subtracted", "added"]),
    help="Sign convention of the biquads' a1 and a2; subtracted otherwise.",
)
@click.option(
    "--layout",
    "layout_file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="TOML file with a processor's own columns, for settings-csv and biquads.",
)
def command(
    what: str,
    choice: str | None,
    to: Path | None,
    number_format: str | None,
    feedback: Any,
    layout_file: Path | None,
) -> None:
    """Write the tuning or the responses.

    settings: a sheet with check boxes to type from, PDF; settings-csv: the same
    as a table; tuning: tuning.json; biquads: coefficients as CSV, in cascaded
    order; fir: taps as WAV (fixed point also as words); impulses: impulse
    responses as WAV; columns and predicted: frequency, level, phase of the
    measured outputs and of the channels as predicted, as text; sofa: impulse
    responses as AES69 SOFA.
    """
    from dataclasses import replace

    from roomtune.cli.project import open_session
    from roomtune.report.sheet_layout import SheetLayout, read_layout

    source = Source(open_session(choice))
    layout = SheetLayout() if layout_file is None else read_layout(layout_file)
    style = layout.biquads
    style = replace(
        style,
        number_format=number_format or style.number_format,
        feedback=feedback or style.feedback,
    )
    written = write(what, source, to or Path(NAMES[what]), replace(layout, biquads=style))
    if not written:
        say("There is nothing to write: this tuning has no such filters.")
    for path in written:
        say(f"Wrote {path}")


class Source:
    """What a session has to export, read when it is asked for."""

    def __init__(self, session: Session) -> None:
        self.session = session

    @cached_property
    def system(self) -> System:
        """The system as measured."""
        from roomtune.cli.project import system_of

        return system_of(self.session)

    @cached_property
    def tuning(self) -> Tuning:
        """The newest tuning."""
        from roomtune.cli.responses import tuning_of

        return tuning_of(self.session)

    @cached_property
    def measured(self) -> Measured:
        """All outputs at all seats."""
        from roomtune.cli.responses import measured_of

        return measured_of(self.session, self.system)


def write(what: str, source: Source, to: Path, layout: SheetLayout) -> tuple[Path, ...]:
    """Write one kind of export; returns the files written."""
    from roomtune.report import exporters

    moment = source.session.created_at[:19].replace("T", " ")
    match what:
        case "settings":
            sheet = exporters.export_settings_pdf(to, source.tuning, source.system, moment[:10])
            return (sheet,)
        case "settings-csv":
            return (exporters.export_settings_csv(to, source.tuning, source.system, layout),)
        case "tuning":
            return (exporters.export_tuning(to, source.tuning),)
        case "biquads":
            return (exporters.export_biquads(to, source.tuning, layout.biquads),)
        case "fir":
            return exporters.export_fir(to, source.tuning)
        case "impulses":
            return exporters.export_impulse_responses(to, source.measured)
        case "columns":
            return exporters.export_measured_columns(to, source.measured)
        case "predicted":
            from roomtune.advisor.prediction import predict

            tuning, measured = source.tuning, source.measured
            return exporters.export_predicted_columns(to, lambda f: predict(tuning, measured, f))
        case _:
            from roomtune.report.sofa import export_sofa

            return (export_sofa(to, source.measured, source.system, moment),)
