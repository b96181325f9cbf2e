"""roomtune sessions: what there is, and what can be said of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from roomtune.cli.show import as_json, echo, say, table

if TYPE_CHECKING:
    from roomtune.session.folder import Session

PICK = click.argument("choice", metavar="SESSION")


@click.group("sessions", invoke_without_command=True)
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
@click.pass_context
def command(context: click.Context, json_wanted: bool) -> None:
    """List the sessions of this folder; name, note, tag, pack them, and see that they are whole.

    A SESSION is given by its name, its folder, or the state of the room it was
    measured in, such as "doors closed"; of several the newest is meant.
    """
    if context.invoked_subcommand is not None:
        return
    from roomtune.session.folder import list_sessions

    found = list_sessions(Path())
    if json_wanted:
        as_json([session_facts(session) for session in found])
        return
    rows = [session_row(session_facts(session)) for session in found]
    headings = ("name", "made", "state of the room", "takes", "to repeat", "has", "tags")
    table(f"{len(rows)} sessions", headings, rows)


def session_facts(session: Session) -> dict[str, object]:
    """What the index says of a session; no take is loaded."""
    best = session.best()
    sorts = ("tuning", "verification", "comparison", "report")
    return {
        "folder": session.path.name,
        "name": session.name,
        "created_at": session.created_at,
        "state": session.state,
        "tags": list(session.tags),
        "takes": len(session.entries()),
        "to_repeat": sum(entry.grade == "repeat" for entry in best),
        "seats": sorted({entry.seat for entry in best}),
        "has": [sort for sort in sorts if session.current(sort)],
        "tunings": list(session.documents("tuning")),
        "notes": [dict(note) for note in session.notes],
    }


def session_row(facts: dict[str, object]) -> tuple[str, ...]:
    """A line of the list."""
    joined = {key: ", ".join(facts[key]) for key in ("has", "tags")}  # type: ignore[arg-type]
    made = str(facts["created_at"])[:16].replace("T", " ")
    texts = [str(facts[key]) for key in ("state", "takes", "to_repeat")]
    return (str(facts["name"]), made, *texts, joined["has"], joined["tags"])


@command.command("show")
@PICK
def show(choice: str) -> None:
    """Tell all about one session."""
    facts = session_facts(_open(choice))
    for key in ("folder", "name", "created_at", "state"):
        echo(f"{key.replace('_', ' ')}: {facts[key] or '-'}")
    for key in ("tags", "seats", "has", "tunings"):
        echo(f"{key}: {', '.join(facts[key]) or '-'}")  # type: ignore[arg-type]
    echo(f"takes: {facts['takes']}, to repeat: {facts['to_repeat']}")
    for note in facts["notes"]:  # type: ignore[attr-defined]
        echo(f"{note['at']}  {note['text']}")


@command.command("name")
@PICK
@click.argument("name")
def name(choice: str, name: str) -> None:
    """Give a session another name; its folder keeps its own."""
    session = _open(choice)
    session.rename(name)
    say(f"{session.path.name} is now called {name!r}.")


@command.command("state")
@PICK
@click.argument("state")
def state(choice: str, state: str) -> None:
    """Say in what state the room was, such as "doors closed"."""
    session = _open(choice)
    session.set_state(state)
    say(f"{session.path.name}: {state}")


@command.command("note")
@PICK
@click.argument("text")
def note(choice: str, text: str) -> None:
    """Add a note; earlier ones stay."""
    session = _open(choice)
    session.note(text)
    say(f"{session.path.name} has {len(session.notes)} notes.")


@command.command("tag")
@PICK
@click.argument("tags", nargs=-1, required=True)
def tag(choice: str, tags: tuple[str, ...]) -> None:
    """Add labels."""
    session = _open(choice)
    session.tag(*tags)
    say(f"{session.path.name}: {', '.join(session.tags)}")


@command.command("use")
@PICK
@click.argument("tuning")
def use(choice: str, tuning: str) -> None:
    """Make an earlier TUNING of a session (such as tuning.json) the current one again."""
    session = _open(choice)
    session.use("tuning", tuning)
    say(f"{session.path.name} uses {tuning}. Next: roomtune export settings")


@command.command("checksums")
@click.argument("choices", metavar="[SESSION]...", nargs=-1)
def checksums(choices: tuple[str, ...]) -> None:
    """Hold every file against its checksum; exit status 1 when one does not fit."""
    from roomtune.session.folder import list_sessions

    sessions = [_open(choice) for choice in choices] or list(list_sessions(Path()))
    faults = 0
    for session in sessions:
        found = session.check()
        echo(f"{session.path.name}: {'; '.join(found) or 'every file is as it was written'}")
        faults += len(found)
    if faults:
        raise SystemExit(1)


@command.command("pack")
@PICK
@click.option("--to", type=click.Path(path_type=Path, dir_okay=False), help="File to write.")
def pack(choice: str, to: Path | None) -> None:
    """Write a session as one zip file, to be moved anywhere."""
    from roomtune.session.packing import pack as pack_session

    session = _open(choice)
    path = pack_session(session, to or Path(f"{session.path.name}.zip"))
    say(f"Wrote {path}. There: roomtune sessions unpack {path.name}")


@command.command("unpack")
@click.argument("path", type=click.Path(path_type=Path, exists=True, dir_okay=False))
def unpack(path: Path) -> None:
    """Take in a session that was packed, here or on another computer."""
    from roomtune.session.packing import unpack as unpack_session

    say(f"Unpacked {unpack_session(path, Path()).path}, every file as it was written.")


def _open(choice: str) -> Session:
    from roomtune.cli.project import open_session

    return open_session(choice)
