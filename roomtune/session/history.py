"""More than two rounds of measurement: how a room and its tuning fared over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.processor.tuning import Tuning
from roomtune.session.comparison import Comparison, compare
from roomtune.system.model import System


@dataclass(frozen=True)
class Moment:
    """One round: its name, when it was (ISO 8601), the state of the room."""

    name: str
    at: str
    state: str = ""


@dataclass(frozen=True, eq=False)
class History:
    """Rounds in the order of time; `since_first[i]` holds round i + 1 against the first,
    `step[i]` against the one before it."""

    moments: tuple[Moment, ...]
    since_first: tuple[Comparison, ...]
    step: tuple[Comparison, ...]

    @property
    def figures(self) -> tuple[dict[str, float], ...]:
        """The tuning's figures of merit in each round; empty without a tuning."""
        return (self.since_first[0].scores_before, *(c.scores_now for c in self.since_first))

    def level_db(self, index: int) -> NDArray[np.float64]:
        """Level of a later round less that of the first per band, mean of outputs and seats.

        (bands,), NaN where no output was judged.
        """
        level = np.asarray(self.since_first[index].level_db)
        known = np.isfinite(level)
        count = known.sum(axis=(0, 1))
        total = np.where(known, level, 0.0).sum(axis=(0, 1))
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def history(
    system: System,
    moments: Sequence[Moment],
    rounds: Sequence[Measured],
    tuning: Tuning | None = None,
) -> History:
    """Compare each round with the first and with the one before it.

    Only seats that all rounds have are looked at. Raises ValueError for fewer than
    two rounds or rounds without a common seat.
    """
    if len(rounds) < 2 or len(rounds) != len(moments):
        raise ValueError(f"a history needs two rounds or more, each named, got {len(rounds)}")
    seats = [s for s in rounds[0].seats if all(s in other.seats for other in rounds)]
    if not seats:
        raise ValueError("the rounds have no seat in common")
    same = [measured.selected(seats) for measured in rounds]
    first = tuple(compare(system, same[0], later, tuning) for later in same[1:])
    steps = [compare(system, a, b, tuning) for a, b in pairwise(same[1:])]
    return History(tuple(moments), first, (first[0], *steps))
