"""roomtune new."""

from __future__ import annotations

import pytest

from roomtune.system.reading import read_system


@pytest.mark.parametrize("layout", ["stereo", "5.1", "7.1"])
def test_the_written_file_reads_back(run, project, layout: str) -> None:
    result = run("new", "--layout", layout)
    assert result.exit_code == 0
    assert "Next: roomtune devices" in result.output
    assert read_system(project / "system.toml").channels


def test_a_file_that_is_there_stays(run, project) -> None:
    (project / "system.toml").write_text("mine")
    result = run("new")
    assert result.exit_code == 2
    assert "stays" in result.output
    assert (project / "system.toml").read_text() == "mine"


def test_an_unknown_layout_is_told(run) -> None:
    result = run("new", "--layout", "99.9")
    assert result.exit_code == 2
    assert "99.9" in result.output


def test_a_scenario_brings_its_room(run, project) -> None:
    result = run("new", "--scenario", "garden-studio")
    assert result.exit_code == 0
    assert (project / "room.toml").exists()
    assert read_system(project / "system.toml").name == "garden studio"


def test_an_unknown_scenario_is_told(run) -> None:
    result = run("new", "--scenario", "moon-base")
    assert result.exit_code == 2
    assert "garden-studio" in result.output
