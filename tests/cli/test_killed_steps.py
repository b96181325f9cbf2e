"""A few kills of the trial in tests/benchmarks; that one makes fifty of each step."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TRIAL = Path(__file__).parents[1] / "benchmarks" / "killed_steps.py"


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs POSIX processes")
def test_killed_advice_reports_and_renewals_lose_nothing() -> None:
    done = subprocess.run([sys.executable, TRIAL, "7"], capture_output=True, text=True)
    print(done.stdout)
    assert done.returncode == 0, done.stdout + done.stderr
