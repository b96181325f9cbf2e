"""A few kills of the trial in tests/benchmarks; that one makes fifty."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TRIAL = Path(__file__).parents[1] / "benchmarks" / "killed_measurement.py"


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs POSIX processes")
def test_a_killed_measurement_keeps_every_finished_take_and_goes_on() -> None:
    done = subprocess.run([sys.executable, TRIAL, "6"], capture_output=True, text=True)
    print(done.stdout)
    assert done.returncode == 0, done.stdout + done.stderr
