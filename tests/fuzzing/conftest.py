"""The readers and a project of sound files, shared by the tests of this folder."""

from __future__ import annotations

import pathlib
import sys

import pytest

sys.path.insert(0, str(pathlib.Path(__file__).parent))

from specimens import make_project


@pytest.fixture(scope="module")
def specimens(tmp_path_factory):
    """The project folder, and the seeds of every reader by its name."""
    folder = tmp_path_factory.mktemp("project")
    return folder, make_project(folder)
