"""A runner in an empty project folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from roomtune.cli.main import main

Run = Callable[..., Result]


@pytest.fixture(scope="session")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project in the garden studio, one session of short sweeps at two seats. Leave it as it is.

    To change something in it, work in a copy.
    """
    folder: Path = tmp_path_factory.mktemp("garden")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for words in (
            "new --scenario garden-studio",
            "measure --virtual . --yes --duration 1.5 --seat middle --seat left --session one",
        ):
            result = CliRunner().invoke(main, words.split())
            assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty folder that the commands stand in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(project: Path) -> Run:
    """Run a command line; gives click's result. Errors that escape are raised."""

    def invoke(*words: str, answers: str | None = None) -> Result:
        result = CliRunner().invoke(main, list(words), input=answers)
        if result.exception and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result

    return invoke
