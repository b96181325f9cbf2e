"""roomtune export: the tuning or the responses for other programs and for fingers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import say

if TYPE_CHECKING:
    from roomtune.session.folder import Session

Writer = Callable[["Session", Path, str, str], "tuple[Path, ...]"]


@click.command("export")
@click.argument(
    "what",
    type=click.Choice(
        ["settings", "settings-csv", "tuning", "biquads", "fir", "impulses", "columns", "sofa"]
    ),
)
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option("--to", type=click.Path(path_type=Path), help="File or folder to write.")
@click.option(
    "--number-format", default="float64", show_default=True, help='Of biquads, such as "5.23".'
)
@click.option(
    "--feedback",
    type=click.Choice(["subtracted", "added"]),
    default="subtracted",
    show_default=True,
    help="Sign convention of the biquads' a1 and a2.",
)
def command(what: str, choice: str | None, to: Path | None, number_format: str, feedback: str) -> None:
    """Write the tuning or the responses.

    settings: a sheet with check boxes to type from, PDF; settings-csv: the same
    as a table; tuning: tuning.json; biquads: coefficients as CSV; fir: taps as
    WAV; impulses: impulse responses as WAV; columns: frequency, level, phase as
    text; sofa: impulse responses as AES69 SOFA.
    """
    from roomtune.cli.project import open_session

    session = open_session(choice)
    target = to or Path(DEFAULTS[what])
    written = WRITERS[what](session, target, number_format, feedback)
    if not written:
        say("There is nothing to write: this tuning has no such filters.")
    for path in written:
        say(f"Wrote {path}")


def _settings(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.project import system_of
    from roomtune.cli.responses import tuning_of
    from roomtune.report.exporters import export_settings_pdf

    date = session.created_at[:10]
    return (export_settings_pdf(to, tuning_of(session), system_of(session), date),)


def _settings_csv(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.project import system_of
    from roomtune.cli.responses import tuning_of
    from roomtune.report.exporters import export_settings_csv

    return (export_settings_csv(to, tuning_of(session), system_of(session)),)


def _tuning(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.responses import tuning_of
    from roomtune.report.exporters import export_tuning

    return (export_tuning(to, tuning_of(session)),)


def _biquads(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.responses import tuning_of
    from roomtune.report.exporters import export_biquads

    return (export_biquads(to, tuning_of(session), number_format, feedback),)  # type: ignore[arg-type]


def _fir(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.responses import tuning_of
    from roomtune.report.exporters import export_fir

    return export_fir(to, tuning_of(session))


def _impulses(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.project import system_of
    from roomtune.cli.responses import measured_of
    from roomtune.report.exporters import export_impulse_responses

    return export_impulse_responses(to, measured_of(session, system_of(session)))


def _columns(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.project import system_of
    from roomtune.cli.responses import measured_of
    from roomtune.report.exporters import export_measured_columns

    return export_measured_columns(to, measured_of(session, system_of(session)))


def _sofa(session: Session, to: Path, number_format: str, feedback: str) -> tuple[Path, ...]:
    from roomtune.cli.project import system_of
    from roomtune.cli.responses import measured_of
    from roomtune.report.sofa import export_sofa

    system = system_of(session)
    date = session.created_at[:19].replace("T", " ")
    return (export_sofa(to, measured_of(session, system), system, date),)


WRITERS: dict[str, Writer] = {
    "settings": _settings,
    "settings-csv": _settings_csv,
    "tuning": _tuning,
    "biquads": _biquads,
    "fir": _fir,
    "impulses": _impulses,
    "columns": _columns,
    "sofa": _sofa,
}
DEFAULTS = {
    "settings": "settings.pdf",
    "settings-csv": "settings.csv",
    "tuning": "tuning.json",
    "biquads": "biquads.csv",
    "fir": "fir",
    "impulses": "impulse-responses",
    "columns": "columns",
    "sofa": "responses.sofa",
}
