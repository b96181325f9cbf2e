"""roomtune advise: a complete tuning from the takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, say

if TYPE_CHECKING:
    from roomtune.advisor.proposal import Advice
    from roomtune.session.folder import Session
    from roomtune.system.model import System


@click.command("advise")
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option(
    "--target",
    "targets",
    multiple=True,
    metavar="WORDS",
    help='Target in words, such as "2 dB more below 100 Hz", "flat", "cinema" (repeatable).',
)
@click.option(
    "--wish",
    "wishes",
    multiple=True,
    metavar="KEY=VALUE",
    help="A wish as under [wishes], such as maximum_boost_db=3 (repeatable).",
)
@click.option("--as-measured", is_flag=True, help="Follow the session's own copy of system.toml.")
@click.option("--explain", is_flag=True, help="Give the evidence and what was refused.")
@click.option("--json", "json_wanted", is_flag=True, help="Print the proposals as JSON.")
def command(
    choice: str | None,
    targets: tuple[str, ...],
    wishes: tuple[str, ...],
    as_measured: bool,
    explain: bool,
    json_wanted: bool,
) -> None:
    """Work out a complete tuning from the takes and write tuning.json.

    Crossovers, bass routing, polarity, delays, levels and equaliser, within
    what the processor can do and what system.toml wishes. Wishes, target,
    processor and limits count as they stand in system.toml now; what was
    measured must be as it was.
    """
    from roomtune.cli.project import open_session
    from roomtune.cli.responses import advice_of
    from roomtune.session.followed import keep_followed

    session = open_session(choice)
    system = wished_system(session, targets, wishes, as_measured)
    _, advice = advice_of(session, system)
    keep_followed(session, system)
    path = session.save_advice(advice)
    if json_wanted:
        as_json(proposals_as_json(advice))
    elif explain:
        for proposal in advice.proposals:
            echo(f"{proposal}\n")
    else:
        show_proposals(advice)
    say(f"Wrote {path}. Next: type it in (roomtune export settings), then roomtune verify")


def wished_system(
    session: Session, targets: tuple[str, ...], wishes: tuple[str, ...], as_measured: bool
) -> System:
    """The system to advise for, with what the options ask; says what was edited since."""
    from roomtune.cli.project import system_to_follow
    from roomtune.system.wishing import with_target_words, with_wishes

    system, edited = system_to_follow(session, as_measured)
    if edited:
        say(
            f"Following system.toml as it is now; edited since the measurement: {', '.join(edited)}"
        )
    return with_wishes(with_target_words(system, targets), wishes)


def show_proposals(advice: Advice) -> None:
    """Print each step once, then for whom, what to set and what it does, folded to the width."""
    from itertools import groupby
    from shutil import get_terminal_size
    from textwrap import fill

    width = max(min(get_terminal_size((80, 24)).columns, 100), 40)
    for step, run in groupby(advice.proposals, lambda proposal: proposal.step):
        echo(step[:1].upper() + step[1:])
        for proposal in run:
            effect = f" ({proposal.effect})" if proposal.effect else ""
            text = f"{proposal.subject}: {proposal.change}{effect}"
            echo(
                fill(
                    text,
                    width,
                    initial_indent="  ",
                    subsequent_indent="      ",
                    break_on_hyphens=False,
                )
            )
        echo()
    say("Why, and what was refused: roomtune advise --explain")


def proposals_as_json(advice: Advice) -> list[dict[str, object]]:
    """The proposals as plain values, keys as the fields are named."""
    from dataclasses import asdict

    return [asdict(proposal) for proposal in advice.proposals]
