"""roomtune retune: the smallest change of the tuning that brings the result back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, progress, say, table

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.advisor.scores import Scores
    from roomtune.session.folder import Session
    from roomtune.session.retuning import Retune, Retuning
    from roomtune.system.model import System

MOST_SHOWN = 30


@click.command("retune")
@click.option("--session", "choice", help="What was measured now; the newest otherwise.")
@click.option("--since", help="The session with the tuning in use; the newest before otherwise.")
@click.option("--way", type=click.IntRange(min=1), help="Take this way of the table instead.")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
def command(choice: str | None, since: str | None, way: int | None, json_wanted: bool) -> None:
    """Find the smallest change of the tuning that brings the result back.

    Delays alone, levels alone, the subwoofers, some filters, all filters,
    everything: each is fitted to what was measured now and judged by the
    prediction. The fewest values to type that come within 10 % of what was
    reached before are kept as the session's tuning; all ways are listed.
    Wishes, processor and limits count as they stand in system.toml now: what is
    pinned or left alone stays.
    """
    from roomtune.cli.advise_command import wished_system
    from roomtune.cli.project import open_session, tuned_before
    from roomtune.cli.responses import measured_of
    from roomtune.session.followed import keep_followed
    from roomtune.session.retuning import retune_advice

    session = open_session(choice)
    earlier = open_session(since) if since else tuned_before(session)
    system = wished_system(session, (), (), as_measured=False)
    measured = measured_of(session, system)
    found = retuning_of(system, earlier, measured)
    taken = chosen_way(found, way)
    if json_wanted:
        as_json(retuning_as_json(found, taken))
    else:
        show_retuning(found, taken)
    if taken.entries:
        keep_followed(session, system)
        path = session.save_advice(retune_advice(measured, found, taken))
        say(f"Wrote {path}. Next: type these values in, then roomtune verify")


def retuning_of(system: System, earlier: Session, measured: Measured) -> Retuning:
    """Try all ways, held against what the earlier session's tuning gave then."""
    from roomtune.cli.responses import measured_of, tuning_of
    from roomtune.session.retuning import smallest_retune, tuning_scores

    tuning, before = tuning_of(earlier), measured_of(earlier, system)
    wanted = tuning_scores(system, before.selected(common_seats(before, measured)), tuning)
    with progress(None, "trying") as advance:
        return smallest_retune(system, measured, tuning, wanted, lambda n: advance(n, False))


def common_seats(first: Measured, second: Measured) -> list[str]:
    """The seats of both; RoomtuneError when there are none."""
    from roomtune.errors import RoomtuneError

    seats = [seat for seat in first.seats if seat in second.seats]
    if not seats:
        raise RoomtuneError(
            f"The sessions have no seat in common: {', '.join(first.seats)} then, "
            f"{', '.join(second.seats)} now."
        )
    return seats


def chosen_way(found: Retuning, number: int | None) -> Retune:
    """The way of that line, or the one found best; RoomtuneError when there is no such line."""
    from roomtune.errors import RoomtuneError

    if number is None:
        return found.chosen
    if number > len(found.tried):
        raise RoomtuneError(f"There is no way {number}; {len(found.tried)} were tried.")
    return found.tried[number - 1]


def show_retuning(found: Retuning, taken: Retune) -> None:
    """Print every way with its figures, then what to type."""
    rows = [way_row(number, way, way is taken) for number, way in enumerate(found.tried, start=1)]
    rows.append(("(as it was)", "", *figure_texts(found.wanted), ""))
    headings = ("way", "values", "off target dB", "levels dB", "arrivals ms", "L/R dB", "")
    table("Ways to retune", headings, rows)
    echo(found.summary)
    for entry in taken.entries[:MOST_SHOWN]:
        echo(f"  {entry}")
    if len(taken.entries) > MOST_SHOWN:
        echo(f"  and {len(taken.entries) - MOST_SHOWN} more: roomtune export settings")


def way_row(number: int, way: Retune, taken: bool) -> tuple[str, ...]:
    """A line of the table."""
    mark = "taken" if taken else "restores" if way.restores else ""
    return (f"{number} {way.name}", str(len(way.entries)), *figure_texts(way.scores), mark)


def figure_texts(figures: Scores) -> tuple[str, ...]:
    """The four figures of merit as texts."""
    return (
        f"{figures.deviation_db:.2f}",
        f"{figures.level_spread_db:.2f}",
        f"{figures.arrival_spread_ms:.3f}",
        f"{figures.left_right_mismatch_db:.2f}",
    )


def retuning_as_json(found: Retuning, taken: Retune) -> dict[str, object]:
    """The retuning as plain values."""
    from dataclasses import asdict

    from roomtune.session.comparison import score_numbers

    return {
        "summary": found.summary,
        "wanted": score_numbers(found.wanted),
        "now": score_numbers(found.now),
        "ways": [
            {
                "change": way.name,
                "values": len(way.entries),
                "restores": way.restores,
                "taken": way is taken,
                **score_numbers(way.scores),
            }
            for way in found.tried
        ],
        "entries": [asdict(entry) for entry in taken.entries],
    }
