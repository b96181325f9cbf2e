"""Weeks later: the quick check, the smallest retune, and keeping order among sessions."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from roomtune.cli.main import main
from roomtune.cli.project import open_session
from roomtune.processor.storage import read_tuning
from roomtune.session.entries import entries
from roomtune.session.folder import list_sessions

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def tuned(tmp_path_factory) -> Path:
    """The garden studio, measured quickly at two seats, tuned, and one seat moved since."""
    folder = tmp_path_factory.mktemp("tuned")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for words in (
            ["new", "--scenario", "garden-studio"],
            ["measure", "--virtual", ".", "--yes", "--duration", "1", "--seat", "middle",
             "--session", "first"],
            ["advise"],
            ["sessions", "state", "first", "doors closed"],
            ["measure", "--virtual", ".", "--yes", "--duration", "1", "--seat", "middle",
             "--session", "moved", "--rearrangement", "sofa moved"],
        ):  # fmt: skip
            result = CliRunner().invoke(main, words)
            assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def there(tuned, run, tmp_path, monkeypatch):
    """The runner in a copy of the tuned project."""
    copy = tmp_path / "copy"
    shutil.copytree(tuned, copy)
    monkeypatch.chdir(copy)
    return run


def test_the_quick_check_finds_nothing_where_nothing_changed(there) -> None:
    result = there("check", "--since", "first", "--virtual", ".", "--yes", "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 0, told
    assert not told["changed"]
    assert not told["worth_retuning"]
    assert told["sound_s"] < 120
    assert "quick check" in list_sessions(Path())[-1].tags


def test_the_quick_check_tells_moved_furniture_in_words(there) -> None:
    result = there(
        "check", "--since", "first", "--virtual", ".", "--yes", "--rearrangement", "sofa moved"
    )
    assert result.exit_code == 1
    assert "seats" in result.stdout
    assert "A new tuning is worth it" in result.stdout
    # A quick check is no measurement to advise from: the newest whole session stays in charge.
    assert json.loads(there("sessions", "--json").stdout)[-1]["tags"] == ["quick check"]
    assert open_session().name == "moved"


def test_a_history_of_more_than_two_is_a_line_each_and_its_steps(there) -> None:
    words = ("compare", "first", "moved", "first")
    result = there(*words, "--figure", "history.png")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    told = [line.split()[0] for line in lines if line.startswith(("first ", "moved "))]
    assert told == ["first", "moved", "first", "first", "moved"]
    assert "first -> moved" in lines
    assert "moved -> first" in lines
    assert Path("history.png").read_bytes().startswith(b"\x89PNG")
    plain = json.loads(there(*words, "--json").stdout)
    assert [moment["name"] for moment in plain["sessions"]] == ["first", "moved", "first"]
    assert [step["worth_retuning"] for step in plain["since_first"]] == [True, False]


def test_two_sessions_are_compared_in_words(there) -> None:
    result = there("compare", "first")
    assert result.stdout.splitlines()[0].endswith("-moved")
    assert "- The seats" in result.stdout
    assert "A new tuning is worth it" in result.stdout


def test_retuning_types_no_more_than_it_must_and_is_reported(there) -> None:
    told = json.loads(there("retune", "--since", "first", "--json").stdout)
    first, second = list_sessions(Path())
    old, new = first.tuning(), second.tuning()
    assert told["entries"]
    assert len(entries(old, new)) == len(told["entries"])
    taken = next(way for way in told["ways"] if way["taken"])
    assert taken["values"] == len(told["entries"])
    assert taken["values"] == min(w["values"] for w in told["ways"] if w["restores"] or w is taken)
    # From one seat of four, only delays and levels may change.
    assert {e["setting"] for e in told["entries"]} <= {"gain", "delay"}
    assert taken["arrival_spread_ms"] < 0.1 < told["now"]["arrival_spread_ms"]
    assert taken["level_spread_db"] < 0.3 < told["now"]["level_spread_db"]
    assert [p.step for p in second.proposals()][-1] == "result"
    # Another way is taken by its line, and the report tells the tuning that is kept.
    assert there("retune", "--since", "first", "--way", "2").exit_code == 0
    delays_only = read_tuning(second.path / "tuning-2.json")
    assert {entry.setting for entry in entries(old, delays_only)} == {"delay"}
    assert there("report").exit_code == 0
    page = list_sessions(Path())[1].current("report").read_text(encoding="utf-8")
    assert "part of changing delays" in page
    assert there("sessions", "use", "moved", "tuning.json").exit_code == 0
    assert list_sessions(Path())[1].tuning() == new
    assert there("sessions", "use", "moved", "tuning-9.json").exit_code == 2


def test_an_output_is_verified_alone(there) -> None:
    words = ("verify", "--session", "first", "--virtual", ".", "--yes", "--duration", "1")
    result = there(*words, "--output", "sub-rear", "--output", "left-tweeter", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert [(row["channel"], row["seat"]) for row in told["rows"]] == [
        ("left-tweeter", "middle"), ("sub-rear", "middle"),
    ]  # fmt: skip
    assert there(*words, "--output", "kettle").exit_code == 2
    # It is no verification of the whole, and what was kept is whole.
    assert list_sessions(Path())[0].current("verification") is None
    assert there("sessions", "checksums", "first").exit_code == 0
    assert there("report", "--session", "first").exit_code == 0
    report = list_sessions(Path())[0].current("report").read_text(encoding="utf-8")
    assert "Single outputs, all others muted: Passed: 2 measurements agree" in report
    assert "Single outputs, measured minus predicted at middle" in report
    assert "Verification: " not in report


def test_sessions_are_listed_named_noted_and_found_by_state(there) -> None:
    for words in (
        ["name", "first", "winter <b>"],
        ["note", "winter <b>", "curtains up"],
        ["tag", "winter <b>", "good", "kept"],
        ["state", "moved", "six guests"],
    ):
        result = there("sessions", *words)
        assert result.exit_code == 0, result.output
    first, second = json.loads(there("sessions", "--json").stdout)
    assert (first["name"], first["tags"]) == ("winter <b>", ["good", "kept"])
    assert [note["text"] for note in first["notes"]] == ["name was 'first'", "curtains up"]
    assert second["state"] == "six guests"
    shown = there("sessions", "show", "doors closed").stdout
    assert "winter <b>" in shown
    assert "curtains up" in shown
    assert "winter <b>" in there("sessions").stdout
    # One tuning per state of the room: named by the state.
    sheet = there("export", "tuning", "--session", "doors closed", "--to", "closed.json")
    assert sheet.exit_code == 0
    assert read_tuning(Path("closed.json")) == list_sessions(Path())[0].tuning()
    assert there("sessions", "show", "unheard of").exit_code == 2


def test_checksums_are_verified_on_demand(there) -> None:
    assert there("sessions", "checksums").exit_code == 0
    path = next(list_sessions(Path())[0].path.glob("takes/*.wav"))
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    result = there("sessions", "checksums")
    assert result.exit_code == 1
    assert f"{path.name} was changed" in result.stdout
    assert there("sessions", "checksums", "moved").exit_code == 0


def test_a_session_is_packed_moved_and_unpacked(there, tmp_path, monkeypatch) -> None:
    assert there("sessions", "pack", "first").exit_code == 0
    (packed,) = Path().glob("*.zip")
    assert zipfile.is_zipfile(packed)
    assert there("sessions", "pack", "first").exit_code == 2
    packed = packed.resolve()
    other = tmp_path / "other"
    other.mkdir()
    monkeypatch.chdir(other)
    assert there("sessions", "unpack", str(packed)).exit_code == 0
    assert there("sessions", "checksums").exit_code == 0
    assert there("export", "settings-csv").exit_code == 0
