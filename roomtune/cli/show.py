"""What the commands print: tables, progress, sentences. Plain text when piped."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable


_NO_TEXT = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


def visible(text: str) -> str:
    """The text with what a terminal would obey, or cannot show, spelt out (\\u001b)."""
    return _NO_TEXT.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def echo(text: str = "", *, err: bool = False, nl: bool = True) -> None:
    """Print a result, whatever names and notes are in it, as text and nothing else."""
    click.echo(visible(text), err=err, nl=nl)


def say(text: str = "") -> None:
    """One line to the person, on the error stream so that results stay clean."""
    echo(text, err=True)


def table(title: str, headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table on standard output; numbers stand right, the first column left."""
    from rich.console import Console
    from rich.table import Table

    drawn = Table(box=None, pad_edge=False)
    for place, heading in enumerate(headings):
        drawn.add_column(heading, justify="left" if place == 0 else "right", overflow="fold")
    for row in rows:
        drawn.add_row(*(visible(str(cell)) for cell in row))
    console = Console(markup=False, highlight=False, soft_wrap=False)
    console.print(visible(title))
    console.print(drawn)


def as_json(value: Any) -> None:
    """Print a value as JSON on standard output."""
    echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


@contextmanager
def progress(total: int | None, what: str) -> Iterator[Callable[[str, bool], None]]:
    """Show a bar on the error stream; without a count where no total is known beforehand.

    Call the given function with what begins now and whether it is a further
    step (or the same one again).
    """
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.fields[what]}", markup=False),
        BarColumn(bar_width=30),
        *([MofNCompleteColumn()] if total is not None else []),
        TimeElapsedColumn(),
        TextColumn("{task.description}", markup=False),
        console=Console(stderr=True),
    )
    with bar:
        task = bar.add_task("", total=total, what=what)

        def advance(description: str, further: bool = True) -> None:
            bar.update(task, advance=int(further), description=visible(description))

        yield advance
        if total is None:
            bar.update(task, total=1, completed=1)
        bar.update(task, description="done")
