"""roomtune measure, in the virtual room."""

from __future__ import annotations

import json

import pytest

from roomtune.session.folder import latest


@pytest.fixture
def garden(run):
    """A project in the garden studio; gives the runner."""
    run("new", "--scenario", "garden-studio")
    return run


def taken(project) -> list[str]:
    """What was measured, in the order of the index."""
    index = next(project.glob("sessions/*/session.json"))
    return [f"{t['source']} {t['seat']}" for t in json.loads(index.read_text())["takes"]]


def test_a_folder_without_a_system_is_told_what_to_do(run) -> None:
    result = run("measure", "--yes")
    assert result.exit_code == 2
    assert "roomtune new" in result.output


def test_the_chosen_outputs_are_measured_and_the_next_step_is_named(garden, project) -> None:
    result = garden(
        "measure",
        "--virtual",
        ".",
        "--yes",
        "--seat",
        "left",
        "--output",
        "left-woofer",
        "--output",
        "sub-front",
        "--duration",
        "1",
    )
    assert result.exit_code == 0, result.output
    assert "2 of 2 takes are usable" in result.output
    assert "at most -12.0 dB" in result.output
    assert taken(project) == ["left-woofer left", "sub-front left"]


def test_a_stopped_measurement_goes_on_with_what_is_missing(garden, project) -> None:
    common = ("--virtual", ".", "--yes", "--seat", "left", "--duration", "1")
    garden("measure", *common, "--output", "left-woofer")
    result = garden(
        "measure", *common, "--output", "left-woofer", "--output", "left-tweeter", "--resume"
    )
    assert result.exit_code == 0, result.output
    assert taken(project) == ["left-woofer left", "left-tweeter left"]
    again = garden("measure", *common, "--output", "left-woofer", "--resume")
    assert "Every take is there already" in again.output


def test_the_mean_of_repeats_is_kept_and_used(garden, project) -> None:
    words = ("--virtual", ".", "--yes", "--seat", "left", "--output", "left-woofer")
    result = garden("measure", *words, "--duration", "1", "--repeats", "3")
    assert result.exit_code == 0, result.output
    assert "3 takes, about" in result.output
    session = latest(project)
    first, *_, mean = (session.take(entry) for entry in session.entries())
    assert len(session.entries()) == 4
    (used,) = session.takes()
    assert used.noise.density.mean() == mean.noise.density.mean()
    assert mean.noise.density.mean() < 0.5 * first.noise.density.mean()


def test_nothing_sounds_without_consent(garden, project) -> None:
    result = garden("measure", "--virtual", ".", answers="n\n")
    assert result.exit_code == 1
    assert "Sound can hurt" in result.output
    assert not (project / "sessions").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--seat", "balcony"), "balcony"),
        (("--output", "organ"), "left-woofer"),
        (("--rearrangement", "earthquake"), "sofa moved"),
        (("--resume",), "session"),
    ],
)
def test_wrong_names_are_told_with_what_there_is(garden, words, told: str) -> None:
    result = garden("measure", "--virtual", ".", "--yes", *words)
    assert result.exit_code == 2
    assert told in result.output


def test_an_unknown_key_names_its_line(garden, project) -> None:
    path = project / "system.toml"
    path.write_text(path.read_text().replace("weight = 3.0", "wieght = 3.0"))
    result = garden("measure", "--virtual", ".", "--yes")
    line = 1 + path.read_text().split("\n").index("wieght = 3.0")
    assert result.exit_code == 2
    assert "wieght" in result.output
    assert "weight" in result.output
    assert str(line) in result.output


def test_sweeps_follow_the_noise_where_that_is_asked(run, project) -> None:
    run("new", "--scenario", "garden-studio")
    words = ("--seat", "left", "--output", "left-tweeter", "--duration", "1")
    result = run("measure", "--virtual", ".", "--yes", "--follow-noise", *words)
    assert result.exit_code == 0, result.output
    assert "Listening for 4 s; nothing is played." in result.output
    (take,) = latest(project).takes()
    assert take.stimulus.emphasis
    assert max(gain_db for _, gain_db in take.stimulus.emphasis) == 0
    refused = run("measure", "--follow-noise", "--to-file", "play.wav", *words)
    assert refused.exit_code == 2
