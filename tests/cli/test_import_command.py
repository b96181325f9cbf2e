"""roomtune measure --to-file, any player, any recorder, roomtune import."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from roomtune.session.folder import latest
from roomtune.system.reading import read_system
from roomtune.virtual.room import VirtualRoom
from roomtune.virtual.scenario import load_scenario

WANTED = ("--seat", "left", "--output", "left-woofer", "--output", "right-surround")


@pytest.fixture
def written(run, project) -> Path:
    """A project with a playback file of two outputs at one seat."""
    run("new", "--scenario", "garden-studio")
    result = run("measure", "--to-file", "play.wav", "--duration", "1", *WANTED)
    assert result.exit_code == 0, result.output
    assert "roomtune import" in result.output
    return project


def record(project: Path, rate_hz: int) -> None:
    """Play the file in the virtual room and record it at another rate, begun late."""
    room = VirtualRoom(load_scenario("garden-studio"), read_system(project / "system.toml"))
    room.move_microphone("left")
    signals, rate = soundfile.read(project / "play.wav", always_2d=True)
    heard = room.play_and_record(signals, [1]).samples
    late = np.concatenate([np.zeros((rate // 3, 1)), heard])
    soundfile.write(project / "heard.wav", soxr.resample(late, rate, rate_hz), rate_hz, "PCM_24")


def test_takes_come_back_from_a_recorder_of_another_rate(run, written) -> None:
    record(written, 44100)
    result = run("import", "heard.wav", "--plan", "play.json")
    assert result.exit_code == 0, result.output
    takes = latest(written).takes(kind="output")
    assert [(take.source, take.seat) for take in takes] == [
        ("left-woofer", "left"),
        ("right-surround", "left"),
    ]
    assert all(take.verdict.grade == "good" for take in takes)


def test_silence_is_one_sentence_and_begins_no_session(run, written) -> None:
    soundfile.write(written / "heard.wav", np.zeros((48000 * 12, 1)), 48000)
    result = run("import", "heard.wav", "--plan", "play.json")
    assert result.exit_code == 1
    assert not (written / "sessions").exists()


@pytest.mark.parametrize("name", ["nowhere.wav", "system.toml"])
def test_what_is_no_recording_is_told(run, written, name: str) -> None:
    result = run("import", name, "--plan", "play.json")
    assert result.exit_code == 2
    assert name in result.output


def test_a_damaged_plan_is_told(run, written) -> None:
    record(written, 48000)
    plan = json.loads((written / "play.json").read_text())
    plan["takes"] = "none"
    (written / "play.json").write_text(json.dumps(plan))
    result = run("import", "heard.wav", "--plan", "play.json")
    assert result.exit_code == 2
    assert "play.json" in result.output


def test_a_file_holds_one_seat(run, project) -> None:
    run("new", "--scenario", "garden-studio")
    result = run("measure", "--to-file", "play.wav")
    assert result.exit_code == 2
    assert "--seat" in result.output
    assert not (project / "play.wav").exists()
