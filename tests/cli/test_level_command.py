"""roomtune level, in the virtual room and without a terminal."""

from __future__ import annotations

import json
from types import SimpleNamespace

import pytest

from roomtune.capture.meter import Level
from roomtune.cli.meter import Meter, meter_line, shown_levels
from roomtune.system.reading import read_system

TRUE_SENSITIVITY_DB = -30.0  # room.toml of the scenario


@pytest.fixture
def garden(run):
    run("new", "--scenario", "garden-studio")
    return run


def sensitivity(project):
    return read_system(project / "system.toml").microphone.sensitivity_dbfs_at_94_db


def forget(project):
    """Make the project one whose microphone is not calibrated."""
    path = project / "system.toml"
    path.write_text(path.read_text().replace("sensitivity_dbfs_at_94_db", "# sensitivity"))
    assert sensitivity(project) is None


def test_a_calibrator_sets_the_sensitivity(garden, project) -> None:
    forget(project)
    result = garden("level", "--virtual", ".", "--calibrator", "94")
    assert result.exit_code == 0, result.output
    assert sensitivity(project) == pytest.approx(TRUE_SENSITIVITY_DB, abs=0.02)
    assert "written into system.toml" in result.output
    again = garden("level", "--virtual", ".", "--calibrator", "114", "--json")
    assert json.loads(again.stdout)["sensitivity_dbfs_at_94_db"] == pytest.approx(-30, abs=0.02)


def test_a_meter_sets_the_sensitivity(garden, project) -> None:
    forget(project)
    words = ("--noise", "left-woofer", "--meter", "--yes", "--for", "6")
    result = garden("level", "--virtual", ".", *words)
    assert result.exit_code == 0, result.output
    assert "500 to 2000 Hz on left-woofer" in result.output
    assert sensitivity(project) == pytest.approx(TRUE_SENSITIVITY_DB, abs=0.1)
    garden("level", "--virtual", ".", *words, "--reading", "60")
    louder = sensitivity(project)
    garden("level", "--virtual", ".", *words, "--reading", "63")
    assert louder - sensitivity(project) == pytest.approx(3, abs=0.02)


def test_noise_needs_consent_and_keeps_to_the_limits(garden, project) -> None:
    words = ("level", "--virtual", ".", "--noise", "left-tweeter")
    refused = garden(*words, answers="n\n")
    assert refused.exit_code == 1
    assert "at most -30.0 dB re full scale" in refused.output
    assert "dB of sound pressure" not in refused.output
    for extra, told in (
        (("--level", "-3"), "above the limit of left-tweeter, -18 dB"),
        (("--band", "20", "200"), "may play 900 to 22000 Hz"),
        (("--calibrator", "94"), "nothing is played"),
    ):
        result = garden(*words, *extra)
        assert result.exit_code == 2, result.output
        assert told in result.output
    assert "name an output" in garden("level", "--virtual", ".", "--meter").output
    assert "no output 'x'" in garden("level", "--virtual", ".", "--noise", "x").output


def test_the_meter_shows_level_peak_and_pressure(garden) -> None:
    result = garden("level", "--virtual", ".", "--noise", "left-woofer", "--for", "2", "--yes")
    assert result.exit_code == 0, result.output
    assert "dB of sound pressure" in result.output
    told = garden("level", "--virtual", ".", "--for", "2", "--json")
    summary = json.loads(told.stdout)
    assert summary["clipped_samples"] == 0
    assert 20 < summary["pressure_level_db"] < 50
    assert summary["highest_peak_dbfs"] > summary["level_dbfs"]


def test_a_line_tells_everything_at_a_glance() -> None:
    line = meter_line(Level(-40.0, -20.0, -10.0, 0), 124.0)
    assert line.startswith("[" + "#" * 20 + "." * 9 + "|" + "." * 10 + "]")
    assert "= 84.0 dB of sound pressure" in line
    assert "CLIPPED" not in line
    assert "CLIPPED (7 samples)" in meter_line(Level(-1.0, 0.0, 0.0, 7))
    assert "pressure" not in meter_line(Level())


def test_without_a_terminal_a_line_a_second_comes(capsys) -> None:
    with shown_levels(None) as meter:
        for _ in range(25):
            meter.show(Level(-40.0, -30.0, -20.0, 0))
    assert capsys.readouterr().err.count("level") == 2


def test_on_a_terminal_the_line_moves() -> None:
    shown: list[str] = []
    meter = Meter(None, SimpleNamespace(update=shown.append), None)
    meter.show(Level(-40.0, -30.0, -20.0, 0))
    meter.show(Level(-41.0, -30.0, -20.0, 3))
    assert len(shown) == 2
    assert "3 samples clipped: turn the gain down" in meter.sentence()
