"""Ten sections on 200 points: our joint fit against differential evolution.

    python tests/benchmarks/equaliser_against_global_search.py [seconds for the oracle] [targets]

Each target is the level of 14 random sections (peaking, 25 Hz to 16 kHz, Q 0.5
to 8, gains normal with 4 dB). Both search the same bounds; the oracle is
scipy.optimize.differential_evolution stopped after the given time.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.optimize import differential_evolution

from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.equaliser import Ground, Rules, grown
from roomtune.advisor.objective import Goal, Problem, Rows, cost_of
from roomtune.advisor.sections import SectionBank, section_responses
from roomtune.advisor.state import neutral
from roomtune.processor.gradient import sections_level_db
from roomtune.system.model import Processor

FREQUENCIES = np.geomspace(20, 20000, 200)
RATE = 48000.0
SECTIONS = 10


def target_db(seed: int) -> np.ndarray:
    """Level of 14 random sections, dB, shape (200,)."""
    random = np.random.default_rng(seed)
    bank = SectionBank(
        ("peaking",) * 14,
        random.uniform(np.log(25), np.log(16000), 14),
        random.uniform(np.log(0.5), np.log(8), 14),
        random.normal(0, 4, 14),
    )
    response, _ = section_responses(bank, FREQUENCIES, RATE)
    return 20 * np.log10(np.abs(response)).sum(axis=0)


def problem_of(target: np.ndarray) -> Problem:
    """One flat output whose level is wanted to follow the target."""
    model = EnergyModel(
        ("x",),
        ("x",),
        ("seat",),
        FREQUENCIES,
        np.stack([FREQUENCIES, FREQUENCIES], -1),
        (np.array([0]),),
        (np.ones((1, 1, 1, 200), dtype=complex),),
        np.zeros((1, 1, 200)),
    )
    rows = Rows(np.ones((1, 1)), np.eye(200))
    goal = Goal(0, rows, target[None], np.full((1, 200), 1 / np.sqrt(200)))
    base = (np.ones((1, 200), dtype=complex),)
    return Problem(model, base, RATE, (goal,), boost_limit_db=99.0, gain_weight=0.0)


def ours(target: np.ndarray) -> tuple[float, float, int]:
    """Error in dB rms, time in s, sections used."""
    problem, rules = problem_of(target), Rules(Processor(), 12.0, SECTIONS, 0.0)
    started = time.perf_counter()
    state = grown(problem, neutral(1), [Ground((0,), (20, 20000))], rules, ((0,),), SECTIONS)
    taken = time.perf_counter() - started
    return float(np.sqrt(2 * cost_of(problem, state))), taken, len(state.sections)


def oracle(target: np.ndarray, seconds: float, seed: int) -> float:
    """Error in dB rms that differential evolution reaches in the given time."""
    types = ["peaking"] * SECTIONS
    bounds = [(np.log(20), np.log(20000)), (np.log(0.4), np.log(16)), (-15, 12)] * SECTIONS
    stop = time.perf_counter() + seconds

    def error(x: np.ndarray) -> float:
        rows = x.reshape(-1, 3).copy()
        rows[:, :2] = np.exp(rows[:, :2])
        level = sections_level_db(types, rows, FREQUENCIES, RATE).sum(axis=0) - target
        return float(np.std(level))

    found = differential_evolution(
        error,
        bounds,
        maxiter=10**6,
        popsize=5,
        seed=seed,
        polish=False,
        init="sobol",
        callback=lambda *_: time.perf_counter() > stop,
    )
    return float(found.fun)


def main() -> None:
    """Print one line per target and the summary."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 50
    rows = []
    for seed in range(count):
        target = target_db(seed)
        error, taken, used = ours(target)
        other = oracle(target, seconds, seed) if seconds > 0 else np.nan
        rows.append((error, taken, other))
        print(
            f"target {seed:2d}: {error:.3f} dB with {used} in {taken * 1e3:.0f} ms; "
            f"differential evolution {other:.3f} dB",
            flush=True,
        )
    table = np.array(rows)
    print(
        f"ours: median {np.median(table[:, 0]):.3f}, worst {table[:, 0].max():.3f} dB; "
        f"time median {np.median(table[:, 1]) * 1e3:.0f}, "
        f"longest {table[:, 1].max() * 1e3:.0f} ms"
    )
    print(
        f"differential evolution: median {np.median(table[:, 2]):.3f} dB; "
        f"ours no worse in {np.sum(table[:, 0] <= table[:, 2])} of {count}"
    )


if __name__ == "__main__":
    main()
