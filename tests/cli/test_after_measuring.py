"""The commands that work on what was measured, from analyse to export."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from roomtune.cli.main import main
from roomtune.processor.storage import read_tuning
from roomtune.session.folder import list_sessions

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def measured(garden, tmp_path_factory) -> Path:
    """The garden studio, measured and advised."""
    folder = tmp_path_factory.mktemp("advised") / "garden"
    shutil.copytree(garden, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        result = CliRunner().invoke(main, ["advise"])
        assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def there(measured, run, tmp_path, monkeypatch):
    """The runner in a copy of the measured project."""
    copy = tmp_path / "copy"
    shutil.copytree(measured, copy)
    monkeypatch.chdir(copy)
    return run


def test_advise_explains_and_never_overwrites(there) -> None:
    result = there("advise", "--explain")
    assert result.exit_code == 0, result.output
    assert "because" in result.stdout
    assert Path("sessions").rglob("tuning-2.json").__next__().exists()
    first, second = sorted(Path("sessions").rglob("tuning*.json"))
    assert read_tuning(first) == read_tuning(second)


def test_verify_passes_through_the_right_tuning(there) -> None:
    common = ("verify", "--virtual", ".", "--yes", "--duration", "1.5", "--seat", "middle")
    result = there(*common, "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["passed"]
    assert told["rms_db"] < 0.5
    assert {row["channel"] for row in told["rows"]} == {"L", "R", "C", "LFE", "Ls", "Rs"}
    # The report tells it, but not once another tuning has taken the place of the verified one.
    for verified in (True, False):
        assert there("report").exit_code == 0
        (session,) = list_sessions(Path())
        page = session.current("report").read_text(encoding="utf-8")
        assert ("Verified: passed" in page) == verified
        session.save("tuning", ".json", session.current("tuning").read_bytes())


def test_compare_finds_nothing_between_a_session_and_itself(there) -> None:
    told = json.loads(there("compare", "one", "one", "--json").stdout)
    assert not told["worth_retuning"]


def test_report_is_one_file_and_figures_are_pictures(there) -> None:
    result = there("report", "--figures", "figures", "--form", "png")
    assert result.exit_code == 0, result.output
    page = next(Path("sessions").rglob("report.html")).read_text()
    assert 'src="http' not in page
    assert "garden studio" in page
    pictures = list(Path("figures").glob("*.png"))
    assert len(pictures) > 10
    assert all(p.read_bytes().startswith(b"\x89PNG") for p in pictures)


@pytest.mark.parametrize("what", ["settings", "settings-csv", "tuning", "biquads", "sofa"])
def test_every_export_writes_its_file(there, what: str) -> None:
    result = there("export", what, "--to", "written")
    assert result.exit_code == 0, result.output
    assert Path("written").stat().st_size > 500


@pytest.mark.parametrize("what", ["impulses", "columns", "predicted"])
def test_exports_of_many_files_fill_a_folder(there, what: str) -> None:
    result = there("export", what, "--to", "written")
    assert result.exit_code == 0, result.output
    assert len(list(Path("written").iterdir())) >= 2


def test_an_export_into_nowhere_is_one_sentence(there) -> None:
    Path("barrier").write_text("a file, not a folder")
    result = there("export", "tuning", "--to", "barrier/tuning.json")
    assert result.exit_code in (1, 2)
    assert result.output.count("\n") <= 3
    assert "barrier" in result.output


def test_an_unknown_session_is_told_with_those_there_are(there) -> None:
    result = there("advise", "--session", "nowhere")
    assert result.exit_code == 2
    assert "one" in result.output


def test_a_take_that_was_lost_is_named(there) -> None:
    take = next(Path("sessions").rglob("*left-tweeter-left.json"))
    take.unlink()
    result = there("advise")
    assert result.exit_code in (1, 2)
    assert "left-tweeter" in result.output
