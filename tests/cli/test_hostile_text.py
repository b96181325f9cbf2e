"""Names and notes that would command a terminal are shown as text, whoever wrote them."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.cli.show import visible
from roomtune.session.folder import Session

HOSTILE = "\x1b[2J\x1b]0;owned\x07[bold red]x[/] \u202egnp.exe \x9b31m \rover"
FORBIDDEN = set("\x1b\x07\r\x9b\u202e")


@settings(derandomize=True, deadline=None)
@given(st.text())
def test_nothing_that_a_terminal_obeys_is_left(text):
    shown = visible(text)
    assert all(c.isprintable() or c in "\n\t" or ord(c) > 0x9F for c in shown)
    shown.encode()
    assert visible(shown) == shown
    if text.isprintable():
        assert shown == text


@pytest.fixture
def session(project, run):
    assert run("new", "--scenario", "attic-stereo").exit_code == 0
    session = Session.create(
        project, HOSTILE, "system.toml", state=HOSTILE, tags=(HOSTILE,),
        now=datetime(2026, 3, 1, tzinfo=UTC),
    )  # fmt: skip
    session.note(HOSTILE)
    return session


@pytest.mark.parametrize(
    "words",
    [
        ("sessions",),
        ("sessions", "show"),
        ("sessions", "checksums"),
        ("analyse",),
        ("advise",),
        ("report",),
        ("report", "--session", HOSTILE),
        ("measure", "--yes", "--output", HOSTILE),
        ("analyse", "--session", "\x1b[2J nowhere"),
        ("new", "--layout", HOSTILE),
        ("import", HOSTILE.replace("/", ""), "--plan", HOSTILE),
        ("export", HOSTILE),
    ],
    ids=lambda words: " ".join(words)[:12].strip(),
)
def test_hostile_names_notes_and_arguments_are_shown_as_text(session, run, words):
    output = run(*words).output
    assert output
    assert not FORBIDDEN & set(output), repr(output)


def test_hostile_words_in_files_are_shown_as_text(session, run, project):
    quoted = json.dumps(HOSTILE)
    text = (project / "system.toml").read_text()
    for changed in (
        text.replace('driver = "woofer"', f"driver = {quoted}"),
        text.replace("name = ", f"{quoted} = 1\nname = ", 1),
        f"{text}\n[{quoted}]\n",
    ):
        (project / "system.toml").write_text(changed)
        output = run("measure", "--yes").output
        assert "system.toml" in output
        assert not FORBIDDEN & set(output), repr(output)


def test_a_hostile_name_in_a_tables_cell_is_text(capsys):
    from roomtune.cli.show import table

    table(HOSTILE, ("name",), [(HOSTILE,)])
    shown = capsys.readouterr().out
    assert not FORBIDDEN & set(shown)
    assert "[bold red]" in "".join(shown.split("\n"))
