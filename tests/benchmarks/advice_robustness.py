"""Advice from noisy takes and from fewer seats, judged in the true room.

    python tests/benchmarks/advice_robustness.py [seeds] [scenarios]

The true responses of the shipped scenarios, plus white noise through the whole of
their length, so far below the mean power of each response in the band that its output
was measured in, told to the advisor as its uncertainty: by 27 dB, which is a take at
20 dB signal-to-noise (a recording of a sweep of D seconds has 10 lg(D / length) less,
about 7 dB with a sweep of five seconds); by 20 dB, a take at 13 dB; and by 60 dB, which
explains nothing itself: what remains there is by which way the search went. The advice
is scored with the true responses: deviation from the target against that of advice from
noiseless takes, for several noises, and how much of what that brings they bring (from
the deviation of the starting tuning on); and the means are compared with the mean at
60 dB: that is what the noise costs. Then every seat but the main one is left out in
turn, and the seat-to-target deviation there is compared with that of the advice that
knew the seat. At last the advice is repeated and compared bit by bit.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from advice_never_worse import truth
from numpy.typing import NDArray

import roomtune.virtual.scenario as scenarios
from roomtune.advisor.explaining import prediction_scores
from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.planning import plan
from roomtune.advisor.prediction import predict
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.tuning import Tuning
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System
from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom, load_scenario

RANGES_DB = (27.0, 20.0, 60.0)


def noisy(system: System, measured: Measured, range_db: float, seed: int) -> Measured:
    """The same with noise so far below each response's mean power in its band."""
    random = np.random.default_rng(seed)
    quiet = measured.responses
    told = measured_from_responses(system, quiet, measured.seats, range_db)
    count = quiet.samples.shape[-1]
    noise = random.standard_normal(quiet.samples.shape) * told.noise_at([1000.0])
    samples = quiet.samples + noise / np.sqrt(count)
    heard = ImpulseResponse(samples, quiet.sample_rate_hz, quiet.start_s, quiet.unit)
    return replace(told, responses=heard)


def deviation_db(system: System, tuning: Tuning, measured: Measured) -> float:
    """Deviation from the target that a tuning gives in truth."""
    return float(prediction_scores(system, predict(tuning, measured)).deviation_db)


def main() -> None:
    """Some lines per scenario."""
    seeds = range(1, 1 + int((sys.argv[1:] or ["8"])[0]))
    for name in sys.argv[2:] or ("attic-stereo", "garden-studio", "barn-cinema"):
        system = read_system(scenarios.SHIPPED / name / "system.toml")
        measured = truth(system, VirtualRoom(load_scenario(name), system).quiet())
        advice = plan(system, measured)
        best = deviation_db(system, advice.tuning, measured)
        before = deviation_db(system, starting_tuning(system), measured)
        print(
            f"{name}: {before:.3f} dB off the target, {best:.3f} dB with advice without noise",
            flush=True,
        )
        found = {}
        for range_db in RANGES_DB:
            found[range_db] = _noisy_advice(system, measured, range_db, seeds)
            told = against(found[range_db], before, best)
            print(f"  noise at {range_db:.0f} dB: {told}", flush=True)
        for range_db in RANGES_DB[:-1]:
            told = compared(found[range_db], found[RANGES_DB[-1]])
            print(f"  {range_db:.0f} dB against {RANGES_DB[-1]:.0f} dB, {told}", flush=True)
        for seat in system.seats:
            if not seat.main:
                print("  " + left_out(system, measured, advice.tuning, seat.name), flush=True)
        again = plan(system, measured)
        same = again.tuning == advice.tuning and np.array_equal(
            again.prediction.response.values, advice.prediction.response.values
        )
        print(f"  repeated: {'the same bits' if same else 'NOT THE SAME'}", flush=True)


def _noisy_advice(
    system: System, measured: Measured, range_db: float, seeds: range
) -> NDArray[np.float64]:
    """Deviations in truth of advice from noisy takes, dB."""
    noises = (noisy(system, measured, range_db, seed) for seed in seeds)
    return np.array([deviation_db(system, plan(system, each).tuning, measured) for each in noises])


def against(found_db: NDArray[np.float64], before_db: float, best_db: float) -> str:
    """Deviations against that without noise, and how much of its improvement they bring."""
    more = 100 * (found_db / best_db - 1)
    brought = 100 * (before_db - found_db) / (before_db - best_db)
    return (
        ", ".join(f"{each:+.1f}" for each in more)
        + f" %; median {np.median(more):+.1f}, worst {more.max():+.1f} %; "
        f"they bring {brought.min():.1f} to {brought.max():.1f} % of what it brings"
    )


def compared(rough: NDArray[np.float64], fine: NDArray[np.float64]) -> str:
    """Means, medians and worst of deviations in dB with much noise against those with little."""
    error = np.hypot(*(each.std(ddof=1) / each.mean() for each in (rough, fine)))
    return (
        f"means: {rough.mean():.3f} and {fine.mean():.3f} dB "
        f"({100 * (rough.mean() / fine.mean() - 1):+.1f} %, standard error "
        f"{100 * error / np.sqrt(len(rough)):.1f}); medians "
        f"{100 * (np.median(rough) / np.median(fine) - 1):+.1f} %, worst against worst "
        f"{100 * (rough.max() / fine.max() - 1):+.1f} %"
    )


def left_out(system: System, measured: Measured, full: Tuning, seat: str) -> str:
    """What advice without a seat does there, against advice that knew it."""
    rest = [s for s in measured.seats if s != seat]
    without = plan(system, measured.selected(rest)).tuning
    alone = system.model_copy(
        update={
            "seats": tuple(
                s.model_copy(update={"main": s.name == seat})
                for s in system.seats
                if s.name == seat
            )
        }
    )
    there = replace(measured.selected([seat]))
    known, unknown = (deviation_db(alone, tuning, there) for tuning in (full, without))
    return f"{seat}: {known:.2f} dB when it was measured, {unknown:.2f} dB when it was left out"


if __name__ == "__main__":
    main()
