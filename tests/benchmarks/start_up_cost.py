"""What `roomtune --help` costs against importing click alone.

Run: python tests/benchmarks/start_up_cost.py
Whole processes in turn, median processor time of 15 runs each after a warm-up.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys

RUNS = 15
COMMANDS = {
    "roomtune --help": [sys.executable, "-c", "from roomtune.cli.main import main; main()", "-h"],
    "import click": [sys.executable, "-c", "import click"],
    "import roomtune": [sys.executable, "-c", "import roomtune"],
    "nothing": [sys.executable, "-c", "pass"],
}


def processor_s(command: list[str]) -> float:
    """User and system time of one run."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the medians and the ratio."""
    times: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for run in range(RUNS + 1):
        for name, command in COMMANDS.items():
            taken = processor_s(command)
            if run:
                times[name].append(taken)
    medians = {name: statistics.median(values) for name, values in times.items()}
    for name, median in medians.items():
        print(f"{name:18} {1000 * median:6.1f} ms processor time")
    print(f"ratio {medians['roomtune --help'] / medians['import click']:.2f}")


if __name__ == "__main__":
    main()
