"""What all tests share."""

from __future__ import annotations

import pathlib

import pytest

REFERENCE = pathlib.Path(__file__).parent / "reference"


@pytest.fixture(scope="session")
def reference_folder() -> pathlib.Path:
    """Folder of published tables."""
    return REFERENCE
