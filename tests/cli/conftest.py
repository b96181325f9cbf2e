"""A runner in an empty project folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from roomtune.cli.main import main

Run = Callable[..., Result]


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
