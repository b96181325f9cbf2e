"""roomtune import: takes from a recording made by any recorder."""

from __future__ import annotations

from pathlib import Path

import click

from roomtune.cli.show import say


@click.command("import")
@click.argument("recording", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--plan",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The plan that measure --to-file wrote.",
)
@click.option("--session", "name", default="measurement", help="Name of the session to begin.")
@click.option("--resume", is_flag=True, help="Add the takes to the newest session instead.")
def command(recording: Path, plan: Path, name: str, resume: bool) -> None:
    """Read a RECORDING of the file that "measure --to-file" wrote.

    The sweeps are found wherever they are, at any sample rate and with the
    recorder's own clock; every take is judged and kept as if measured here.
    """
    from roomtune.capture.exchange import read_takes
    from roomtune.cli.project import SYSTEM, load_system, open_session
    from roomtune.session.folder import Session

    load_system()
    imported = read_takes(recording, plan)
    session = open_session() if resume else Session.create(Path(), name, SYSTEM)
    for captured in imported.captured:
        session.add(captured)
    for note in imported.notes:
        say(note)
    bad = [c.take for c in imported.captured if c.take.verdict.grade == "repeat"]
    for take in bad:
        reasons = "; ".join(finding.text for finding in take.verdict.findings)
        say(f"Measure again: {take.source} at {take.seat}: {reasons}")
    good = len(imported.captured) - len(bad)
    say(f"{good} usable takes are in {session.path}. Next: the other seats, then roomtune advise")
    if bad or imported.missing:
        raise SystemExit(1)
