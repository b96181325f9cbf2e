"""roomtune soundcheck, in the virtual room."""

from __future__ import annotations

import json

import pytest


@pytest.fixture
def garden(run):
    run("new", "--scenario", "garden-studio")
    return run


def test_noise_is_measured_and_the_hum_is_named(garden) -> None:
    result = garden("soundcheck", "--virtual", ".", "--yes", "--noise-only", "--json")
    assert result.exit_code == 0, result.output
    noise = json.loads(result.stdout)["noise"]
    assert len(noise["centres_hz"]) == len(noise["levels_dbfs"])
    assert noise["hums"][0]["frequency_hz"] == pytest.approx(50, abs=1)


@pytest.mark.slow
def test_every_output_is_heard_and_the_reversed_one_is_told(garden) -> None:
    result = garden("soundcheck", "--virtual", ".", "--yes")
    assert result.exit_code == 0, result.output
    assert "centre-woofer" in result.output
    assert "Polarity: centre-woofer" in result.output
    assert "Next: roomtune measure" in result.output


@pytest.mark.slow
def test_a_silent_output_is_told_and_fails_the_check(garden, project) -> None:
    room = project / "room.toml"
    text = room.read_text()
    mark = 'name = "left-surround"\ndriver = "full-range-10"\ngain_error_db = -2.0'
    assert mark in text
    room.write_text(text.replace(mark, mark.replace("-2.0", "-150.0")))
    result = garden("soundcheck", "--virtual", ".", "--yes", "--json")
    assert result.exit_code == 1, result.output
    told = json.loads(result.stdout)
    assert "left-surround is silent" in " ".join(told["findings"])


def test_nothing_is_played_without_consent(garden) -> None:
    result = garden("soundcheck", "--virtual", ".", answers="n\n")
    assert result.exit_code == 1
    assert "Play now?" in result.output


def test_an_unknown_seat_is_told(garden) -> None:
    result = garden("soundcheck", "--virtual", ".", "--yes", "--seat", "balcony")
    assert result.exit_code == 2
    assert "balcony" in result.output
