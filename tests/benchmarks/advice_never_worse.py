"""Advice for random systems: every measure before and after, from true responses.

    python tests/benchmarks/advice_never_worse.py [systems] [first seed]

Random rooms, layouts, drivers, faults and processors of roomtune.virtual. A
line per system as it is done; at the end how often a whole-system score got
worse, how often a measure at a single seat got worse by more than 0.5 dB and
whether the explanation said so, whether an output exceeded its stated limit in
a full-scale programme rendered through the tuning, and whether the reversed
drivers were named and no others (of subwoofers, that their polarity is in doubt
may be all that can be said: it is chosen by how they sum).
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import numpy as np

from roomtune.advisor.explaining import prediction_scores
from roomtune.advisor.full_scale import full_scale_peaks_dbfs
from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.planning import plan
from roomtune.advisor.proposal import Advice
from roomtune.advisor.scores import Scores
from roomtune.advisor.seat_measures import Worsening, seat_measures, worsened
from roomtune.processor.fitting import misfits
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System
from roomtune.virtual import VirtualRoom
from roomtune.virtual.random import random_scenario

NAMES = ("levels dB", "arrivals ms", "left/right dB", "deviation dB")


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


def untold(advice: Advice, found: tuple[Worsening, ...]) -> list[Worsening]:
    """What got worse without the explanation saying so."""
    told = {p.subject: p.change for p in advice.proposals if p.step == "what it costs"}
    return [item for item in found if str(item) not in told.get(item.measure.seat, "")]


def excess_db(system: System, advice: Advice) -> float:
    """How far an output goes beyond its stated limit in the full-scale programme."""
    peaks = full_scale_peaks_dbfs(advice.tuning)
    return max(peak - system.output(name).maximum_level_dbfs for name, peak in peaks.items())


def main() -> None:
    """Print a line per system and the summary."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    rows, wrong, unsure, worst, kinds, measures, silent = [], 0, 0, [], Counter[str](), 0, 0
    for seed in range(first, first + count):
        scenario, system = random_scenario(seed)
        measured = truth(system, VirtualRoom(scenario, system).quiet())
        started = time.process_time()
        advice = plan(system, measured)
        taken = time.process_time() - started
        before = figures(prediction_scores(system, advice.before))
        after = figures(prediction_scores(system, advice.prediction))
        then = seat_measures(system, advice.before)
        found = worsened(then, seat_measures(system, advice.prediction))
        quiet = untold(advice, found)
        beyond = excess_db(system, advice)
        named = {p.subject for p in advice.proposals if p.change.startswith("invert the output")}
        faulty = {item.name for item in scenario.output if item.reversed}
        doubted = {p.subject for p in advice.proposals if p.step == "polarity"} - named
        wrong += not named <= faulty <= named | doubted
        unsure += len(faulty & doubted)
        unfit = misfits(advice.tuning, system.processor)
        rows.append((before, after))
        worst.append(beyond)
        measures += len(then)
        silent += len(quiet)
        kinds.update(item.measure.kind for item in found)
        print(
            f"{seed:3d}: {len(system.outputs):2d} outputs, {len(system.seats)} seats, "
            f"{taken:4.1f} s; "
            + ", ".join(f"{b:.2f} > {a:.2f}" for b, a in zip(before, after, strict=True))
            + f"; {len(found)} of {len(then)} seat measures worse, {len(quiet)} untold"
            + f"; full scale {beyond:+.2f} dB re limits"
            + ("" if named == faulty else f"; reversed {sorted(faulty)}, named {sorted(named)}")
            + (f", in doubt {sorted(doubted)}" if doubted else "")
            + (f"; does not fit: {unfit[0]}" if unfit else "")
            + "".join(f"\n      {item.measure.seat}: {item}" for item in found),
            flush=True,
        )
    table = np.array(rows)
    for place, name in enumerate(NAMES):
        old, new = table[:, 0, place], table[:, 1, place]
        worse = np.sum(new > old + (0.02 if place == 1 else 0.05))
        print(
            f"{name}: median {np.median(old):.2f} > {np.median(new):.2f}, "
            f"worst after {new.max():.2f}, worse in {worse} of {count}"
        )
    print(
        f"at single seats: {sum(kinds.values())} of {measures} measures worse by more than 0.5 dB "
        f"{dict(kinds)}, {silent} of them not told"
    )
    print(f"full-scale programme: at worst {max(worst):+.3f} dB re the stated limit of an output")
    print(
        f"reversed drivers named, and no others, in {count - wrong} of {count}; "
        f"{unsure} of these drivers as in doubt only"
    )


if __name__ == "__main__":
    main()
