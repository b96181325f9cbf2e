"""roomtune compare: what changed between two sessions."""

from __future__ import annotations

import click

from roomtune.cli.show import as_json, say


@click.command("compare")
@click.argument("first")
@click.argument("second", required=False)
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(first: str, second: str | None, json_wanted: bool) -> None:
    """Say what changed from the session FIRST to the session SECOND.

    Sessions are given by name or folder; without SECOND the newest is taken.
    With a tuning in the first session, it also says whether retuning is worth it.
    """
    from dataclasses import asdict

    from roomtune.cli.project import open_session, system_of
    from roomtune.cli.responses import measured_of, tuning_of
    from roomtune.session.comparison import compare

    earlier, later = open_session(first), open_session(second)
    system = system_of(later)
    tuning = tuning_of(earlier) if earlier.current("tuning") else None
    result = compare(system, measured_of(earlier, system), measured_of(later, system), tuning)
    if json_wanted:
        as_json(
            {
                "findings": [asdict(finding) for finding in result.findings],
                "worth_retuning": result.worth_retuning,
                "reason": result.reason,
            }
        )
        return
    click.echo(f"{earlier.path.name} -> {later.path.name}")
    for finding in result.findings:
        click.echo(f"- {finding.text}")
    click.echo(result.reason)
    if result.worth_retuning:
        say("Next: roomtune advise")
