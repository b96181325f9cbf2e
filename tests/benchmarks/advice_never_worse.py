"""Advice for random systems: every score before and after, from true responses.

    python tests/benchmarks/advice_never_worse.py [systems] [first seed]

Random rooms, layouts, drivers, faults and processors of roomtune.virtual.
A line per system; at the end how often a score got worse, the worst cases, and
whether exactly the reversed drivers were named.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from roomtune.advisor.explaining import prediction_scores
from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.planning import plan
from roomtune.advisor.scores import Scores
from roomtune.processor.fitting import misfits
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System
from roomtune.virtual import VirtualRoom
from roomtune.virtual.random import random_scenario


def truth(system: System, room: VirtualRoom) -> Measured:
    """The room's true responses, as if measured without a fault."""
    rows = [[room.truth(o.name, s.name) for s in system.seats] for o in system.outputs]
    samples = np.array([[item.samples for item in row] for row in rows])
    first = rows[0][0]
    return measured_from_responses(
        system, ImpulseResponse(samples, first.sample_rate_hz, first.start_s, "Pa")
    )


def figures(scores: Scores) -> list[float]:
    """Level spread, arrival spread, left/right mismatch, deviation."""
    return [
        scores.level_spread_db,
        scores.arrival_spread_ms,
        scores.left_right_mismatch_db,
        scores.deviation_db,
    ]


def main() -> None:
    """Print a line per system and the summary."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    rows, wrong = [], 0
    for seed in range(first, first + count):
        scenario, system = random_scenario(seed)
        measured = truth(system, VirtualRoom(scenario, system).quiet())
        started = time.process_time()
        advice = plan(system, measured)
        taken = time.process_time() - started
        before = figures(prediction_scores(system, advice.before))
        after = figures(prediction_scores(system, advice.prediction))
        named = {p.subject for p in advice.proposals if p.change.startswith("invert the output")}
        faulty = {item.name for item in scenario.output if item.reversed}
        wrong += named != faulty
        unfit = misfits(advice.tuning, system.processor)
        rows.append((before, after))
        print(
            f"{seed:3d}: {len(system.outputs):2d} outputs, {len(system.seats)} seats, "
            f"{taken:4.1f} s; "
            + ", ".join(f"{b:.2f} > {a:.2f}" for b, a in zip(before, after, strict=True))
            + ("" if named == faulty else f"; reversed {sorted(faulty)}, named {sorted(named)}")
            + (f"; does not fit: {unfit[0]}" if unfit else ""),
            flush=True,
        )
    table = np.array(rows)
    for place, name in enumerate(["levels dB", "arrivals ms", "left/right dB", "deviation dB"]):
        old, new = table[:, 0, place], table[:, 1, place]
        worse = np.sum(new > old + (0.02 if place == 1 else 0.05))
        print(
            f"{name}: median {np.median(old):.2f} > {np.median(new):.2f}, "
            f"worst after {new.max():.2f}, worse in {worse} of {count}"
        )
    print(f"reversed drivers named exactly in {count - wrong} of {count}")


if __name__ == "__main__":
    main()
