"""The examples run, and every command that a text shows can be given as shown."""

from __future__ import annotations

import importlib.util
import re
import shlex
import tomllib
from importlib import import_module
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from pydantic import BaseModel

from roomtune.cli.main import COMMANDS, main
from roomtune.system.model import System
from roomtune.virtual.scenario import load_scenario

ROOT = Path(__file__).resolve().parent.parent
SCENARIOS = ROOT / "roomtune" / "virtual" / "scenarios"
TEXTS = [ROOT / "README.md", *sorted(ROOT.glob("examples/**/*.md")), ROOT / "calibration/README.md"]
NAMES = sorted(folder.name for folder in SCENARIOS.iterdir() if folder.is_dir())


def blocks(text: str, language: str) -> list[str]:
    """The fenced blocks of a language, their common indent removed."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```", text, flags=re.M | re.S)
    return [re.sub(rf"^{indent}", "", block, flags=re.M) for indent, block in found]


def command_lines() -> list[tuple[str, list[str]]]:
    """(text, words after "roomtune") of every command line shown."""
    lines = []
    for path in TEXTS:
        for block in blocks(path.read_text(encoding="utf-8"), "sh"):
            for line in re.split(r"\n|&&", block.replace("\\\n", " ")):
                words = shlex.split(line, comments=True)
                if words and words[0].rsplit("/")[-1] == "roomtune":
                    lines.append((str(path.relative_to(ROOT)), words[1:]))
    return lines


LINES = command_lines()


def parsed(words: list[str]) -> click.Context:
    """Parse a command line as the program would, running nothing."""
    command = import_module(f"roomtune.cli.{words[0]}_command").command
    context = command.make_context(words[0], list(words[1:]))
    assert isinstance(context, click.Context)
    return context


def test_the_texts_show_all_commands() -> None:
    assert {words[0] for _, words in LINES} == set(COMMANDS)


@pytest.mark.parametrize(("where", "words"), LINES, ids=lambda value: " ".join(value))
def test_a_shown_command_can_be_given(where: str, words: list[str]) -> None:
    assert words[0] in COMMANDS
    values = parsed(words).params
    names = [values.get("scenario"), values.get("virtual")]
    for name in [name for name in names if name not in (None, ".")]:
        assert name in NAMES, where
    if values.get("rearrangement"):
        known = {r.name for n in NAMES for r in load_scenario(n).rearrangement}
        assert values["rearrangement"] in known, where


def test_a_wrong_option_would_be_noticed() -> None:
    with pytest.raises(click.UsageError):
        parsed(["measure", "--louder"])


def test_commands_named_in_passing_exist() -> None:
    for path in TEXTS:
        for mention in re.findall(r"`roomtune ([^`]+)`", path.read_text(encoding="utf-8")):
            words = mention.split()
            assert words[0] in COMMANDS, (path.name, mention)
            command = import_module(f"roomtune.cli.{words[0]}_command").command
            options = {text for parameter in command.params for text in parameter.opts}
            assert {word for word in words if word.startswith("--")} <= options, mention


def test_shown_keys_of_system_toml_exist() -> None:
    for path in TEXTS:
        for block in blocks(path.read_text(encoding="utf-8"), "toml"):
            check_keys(tomllib.loads(block), System)


def check_keys(table: dict[str, object], model: type[BaseModel]) -> None:
    for key, value in table.items():
        assert key in model.model_fields, f"{key} is not a key of {model.__name__}"
        kind = part_of(model.model_fields[key].annotation)
        for item in value if isinstance(value, list) else [value]:
            if isinstance(item, dict) and kind is not None:
                check_keys(item, kind)


def part_of(annotation: object) -> type[BaseModel] | None:
    """The part of a system behind an annotation such as tuple[Output, ...]."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    parts = [part_of(inner) for inner in getattr(annotation, "__args__", ())]
    return next((part for part in parts if part is not None), None)


def test_every_scenario_has_its_example() -> None:
    for name in NAMES:
        text = (ROOT / "examples" / name / "README.md").read_text(encoding="utf-8")
        assert f"roomtune rehearse --scenario {name}" in text
    listed = (ROOT / "examples" / "README.md").read_text(encoding="utf-8")
    assert all(f"]({name}/README.md)" in listed for name in NAMES)


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project with the takes of one seat, quickly made."""
    folder = tmp_path_factory.mktemp("project")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for line in (
            "new --scenario attic-stereo",
            "measure --virtual . --yes --session first --seat armchair --duration 1",
        ):
            result = CliRunner().invoke(main, line.split())
            assert result.exit_code == 0, result.output
    return folder


def test_the_notebook_runs(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec = importlib.util.spec_from_file_location("notebook", ROOT / "examples" / "notebook.py")
    assert spec is not None
    assert spec.loader is not None
    notebook = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(notebook)
    notebook.main(project)
    told = capsys.readouterr().out
    system = notebook.read_system(project / "system.toml")
    assert all(output.name in told for output in system.outputs)
    advised, wrong = (float(x) for x in re.findall(r"([\d.]+) dB off the target", told))
    assert advised < wrong


def test_the_python_of_readme_runs(
    project: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (block,) = blocks((ROOT / "README.md").read_text(encoding="utf-8"), "python")
    monkeypatch.chdir(project)
    exec(compile(block, "README.md", "exec"), {})
    assert re.search(r"^\d\.\d\d dB off the target$", capsys.readouterr().out, flags=re.M)


def test_the_python_of_calibration_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import numpy as np
    import soundfile

    text = (ROOT / "calibration" / "README.md").read_text(encoding="utf-8")
    correction, calibrator, noise, meter = blocks(text, "python")
    monkeypatch.chdir(ROOT)
    exec(compile(correction, "calibration", "exec"), {})
    assert "31 points from 20 to 20000 Hz" in capsys.readouterr().out
    monkeypatch.chdir(tmp_path)
    time_s = np.arange(10 * 48000) / 48000
    tone = np.sqrt(2) * 10 ** (-30 / 20) * np.sin(2 * np.pi * 1000 * time_s)
    soundfile.write("calibrator.wav", tone, 48000, subtype="FLOAT")
    exec(compile(calibrator, "calibration", "exec"), {})
    assert float(capsys.readouterr().out) == pytest.approx(-30, abs=0.05)
    exec(compile(noise, "calibration", "exec"), {})
    samples, _ = soundfile.read("pink.wav")
    heard = samples * 10 ** ((-30 + 75 - 94) / 20) / np.sqrt(np.mean(samples**2))
    soundfile.write("recorded.wav", heard, 48000, subtype="FLOAT")
    exec(compile(meter, "calibration", "exec"), {})
    assert float(capsys.readouterr().out) == pytest.approx(-30, abs=0.3)
