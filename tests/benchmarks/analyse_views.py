"""Processor time of every view of `roomtune analyse` in the garden studio, 10 outputs at 2 seats.

Prints seconds per view, as a share of the overview's too; nothing passes or fails.
Run: python tests/benchmarks/analyse_views.py
"""

from __future__ import annotations

import os
import tempfile
import time

from click.testing import CliRunner

from roomtune.cli.main import main
from roomtune.report.views import VIEWS

PREPARED = (
    "new --scenario garden-studio",
    "measure --virtual . --yes --duration 1.5 --seat middle --seat left --session one",
    "analyse",  # loads the libraries
)


def seconds(words: str) -> float:
    """Processor time of a command line."""
    begun = time.process_time()
    result = CliRunner().invoke(main, words.split())
    if result.exit_code:
        raise SystemExit(result.output)
    return time.process_time() - begun


def run() -> None:
    """Measure once, then look at every view."""
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        for words in PREPARED:
            seconds(words)
        times = {view: seconds(f"analyse {view}") for view in VIEWS}
        os.chdir("/")
    for view, spent in times.items():
        print(f"{view:12} {spent:6.2f} s {spent / times['overview']:6.2f} of the overview")


if __name__ == "__main__":
    run()
