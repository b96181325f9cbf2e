"""What the tables of figures share: processor time, and lines of a table."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

LINE = "  {:<47}{:>13}{:>13}{:>9}  {}".format


def spent_s(task: Callable[[], object], runs: int = 3) -> float:
    """Least processor time of several runs after one to warm up, s."""
    task()
    times = []
    for _ in range(runs):
        begun = time.process_time()
        task()
        times.append(time.process_time() - begun)
    return max(min(times), 1e-9)


def duration(seconds: float) -> str:
    """A time for people, in s, ms or us."""
    for unit, size in (("s", 1.0), ("ms", 1e-3)):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds / 1e-6:.3g} us"


def exponent(sizes: Sequence[float], times: Sequence[float]) -> float:
    """The power of the size with which the time grows: slope of the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])
