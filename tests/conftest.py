"""What all tests share."""

from __future__ import annotations

import os
import pathlib

import pytest

# As the commands do, before numpy loads: threads that wait for each other cost the most time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

REFERENCE = pathlib.Path(__file__).parent / "reference"


@pytest.fixture(scope="session")
def reference_folder() -> pathlib.Path:
    """Folder of published tables."""
    return REFERENCE
