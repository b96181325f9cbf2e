"""What roomtune advise follows, and what it says when it cannot."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from roomtune.processor.storage import read_tuning
from roomtune.system.model import System

pytestmark = pytest.mark.slow


@pytest.fixture
def there(garden, run, tmp_path, monkeypatch):
    """The runner in a copy of the measured project."""
    copy = tmp_path / "copy"
    shutil.copytree(garden, copy)
    monkeypatch.chdir(copy)
    return run


def edit(old: str, new: str) -> None:
    path = Path("system.toml")
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_wishes_and_target_of_the_edited_file_and_of_the_options_count(there) -> None:
    edit("[wishes]", '[wishes]\nforbid = ["boost"]')
    result = there(
        "advise", "--json", "--target", "flat", "--target", "2 dB more below 100 Hz", "--wish",
        "bass_crossover_hz=90",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "edited since the measurement: wishes" in result.stderr
    told = json.loads(result.stdout)
    steps = {row["step"] for row in told}
    assert {"limits", "maximum level", "crossover", "result"} <= steps
    loud = next(row for row in told if row["step"] == "maximum level")["figures"]
    assert len(loud["frequency_hz"]) == len(loud["maximum_level_db"]) == len(loud["limited_by"])
    tuning = read_tuning(next(Path("sessions").rglob("tuning.json")))
    boosts = [f.gain_db for o in tuning.outputs for f in o.filters if f.gain_db is not None]
    assert boosts
    assert max(boosts) <= 0
    assert "90 Hz" in next(row for row in told if row["step"] == "bass crossover")["change"]
    kept = json.loads(next(Path("sessions").rglob("advised-system.json")).read_text())
    assert kept["target"]["adjustments"] == ["2 dB more below 100 Hz"]
    assert set(System.model_fields) - set(kept) == {"microphone", "audio"}


def test_what_was_measured_otherwise_is_refused_with_what_to_do(there) -> None:
    edit("interface_output = 1 }", "interface_output = 30 }")
    result = there("advise")
    assert result.exit_code == 2
    assert "playback: 1 then, 30 now" in result.output
    assert "--as-measured" in result.output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--target", "more bass"), 'say it like "2 dB more below 100 Hz"'),
        (("--wish", "maximum_boost=3"), 'did you mean "maximum_boost_db"'),
        (("--wish", "loud"), "key=value"),
    ],
)
def test_wishes_that_are_not_understood_are_told(there, words, told) -> None:
    result = there("advise", *words)
    assert result.exit_code == 2
    assert told in result.output
