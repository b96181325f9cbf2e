"""roomtune advise: a complete tuning from the takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, say, table

if TYPE_CHECKING:
    from roomtune.advisor.proposal import Advice


@click.command("advise")
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option("--explain", is_flag=True, help="Give the evidence and what was refused.")
@click.option("--json", "json_wanted", is_flag=True, help="Print the proposals as JSON.")
def command(choice: str | None, explain: bool, json_wanted: bool) -> None:
    """Work out a complete tuning from the takes and write tuning.json.

    Crossovers, bass routing, polarity, delays, levels and equaliser, within
    what the processor can do and what system.toml wishes.
    """
    from roomtune.cli.project import open_session, system_of
    from roomtune.cli.responses import advice_of

    session = open_session(choice)
    system = system_of(session)
    _, advice = advice_of(session, system)
    path = session.save_advice(advice)
    if json_wanted:
        as_json(proposals_as_json(advice))
    elif explain:
        for proposal in advice.proposals:
            click.echo(f"{proposal}\n")
    else:
        table(
            "Proposals",
            ("step", "for", "change", "effect"),
            [(p.step, p.subject, p.change, p.effect) for p in advice.proposals],
        )
    say(f"Wrote {path}. Next: type it in (roomtune export settings), then roomtune verify")


def proposals_as_json(advice: Advice) -> list[dict[str, object]]:
    """The proposals as plain values, keys as the fields are named."""
    from dataclasses import asdict

    return [asdict(proposal) for proposal in advice.proposals]
