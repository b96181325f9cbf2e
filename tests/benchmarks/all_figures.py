"""All figures in one table, in about two minutes of one core.

    OMP_NUM_THREADS=1 python tests/benchmarks/all_figures.py

Against outside references in the same run (results of searches that take hours are
kept beside the scripts), how cost grows, and what fraction is reached of what physics
and the machine allow. Each part also runs by itself: figures_against_references.py,
figures_of_growth.py, figures_against_bounds.py. Nothing passes or fails.
"""

from __future__ import annotations

import platform
import time
import warnings
from importlib.metadata import version

import figures_against_bounds
import figures_against_references
import figures_of_growth

NAMED = ("numpy", "scipy", "pyfar", "pyrato")


def main() -> None:
    """Print the table as it comes."""
    begun = time.process_time()
    versions = ", ".join(f"{name} {version(name)}" for name in NAMED)
    print(f"Python {platform.python_version()}, {versions}; processor time of one thread")
    for part in (figures_against_references, figures_against_bounds, figures_of_growth):
        print()
        for line in part.lines():
            print(line.rstrip(), flush=True)
    print(f"\n{time.process_time() - begun:.0f} s of processor time")


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        main()
