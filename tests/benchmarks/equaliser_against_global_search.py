"""Ten sections on 200 points: our joint fit against differential evolution.

    python tests/benchmarks/equaliser_against_global_search.py [targets]
    python tests/benchmarks/equaliser_against_global_search.py --search [targets]

Each target is the level of 14 random sections (peaking, 25 Hz to 16 kHz, Q 0.5
to 8, gains normal with 4 dB). Ten peaking sections shall follow it but for one
level, within the same bounds for both. The second command does the global
search (60 s of processor time for each target) where its result is not yet kept
in the file beside this script; the first runs ours and compares, also with
filters picked one by one: at the greatest deviation, each fitted by itself (the
procedure that G. Vairetti et al., JAES 66(11), 2018, improve on): how many of
ours do what ten of these do.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from global_search import keep, kept, missing, searched
from numpy.typing import NDArray

from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.equaliser import grown
from roomtune.advisor.objective import Goal, Problem, Rows, fitted
from roomtune.advisor.palette import Ground, Rules
from roomtune.advisor.state import Free, Section, neutral
from roomtune.system.model import Processor, Range

Array = NDArray[np.float64]
FREQUENCIES = np.geomspace(20, 20000, 200)
RATE = 48000.0
SECTIONS, SECONDS = 10, 60.0
BOUNDS = [(np.log(20), np.log(20000)), (np.log(0.4), np.log(16)), (-15.0, 12.0)]
FILE = Path(__file__).with_name("equaliser_global_search.json")
CONDITIONS = {
    "command": "python tests/benchmarks/equaliser_against_global_search.py --search",
    "problem": "10 peaking sections, 20 Hz to 20 kHz, Q 0.4 to 16, -15 to 12 dB, to the level of "
    "14 random ones at 200 frequencies; error: standard deviation in dB",
    "processor_s": SECONDS,
}


def levels_db(values: Array) -> Array:
    """Summed level (k, c) of peaking sections; values (n, 3, c): log frequency, log Q, gain.

    |H|^2 = (d + m A^2/Q^2) / (d + m / (A^2 Q^2)) with d = (r - p)^2, m = p r as
    in roomtune.processor.gradient, written out anew.
    """
    own = np.sin(np.pi * np.exp(values[:, 0]) / RATE) ** 2
    here = (np.sin(np.pi * FREQUENCIES / RATE) ** 2)[:, None]
    p, r = here * (1 - own)[:, None], (1 - here) * own[:, None]
    gain, per_q2 = 10 ** (values[:, 2] / 20)[:, None], np.exp(-2 * values[:, 1])[:, None]
    distance, product = (r - p) ** 2, p * r
    above, below = distance + product * per_q2 * gain, distance + product * per_q2 / gain
    return np.asarray(10 * np.log10(np.prod(above, axis=0) / np.prod(below, axis=0)))


def target_db(seed: int) -> Array:
    """Level of 14 random sections, dB, shape (200,)."""
    random = np.random.default_rng(seed)
    frequency = random.uniform(np.log(25), np.log(16000), 14)
    q = random.uniform(np.log(0.5), np.log(8), 14)
    return levels_db(np.stack([frequency, q, random.normal(0, 4, 14)], 1)[..., None])[:, 0]


def error_db(variables: Array, target: Array) -> Array:
    """Standard deviation from the target, dB, of every column of (30, c)."""
    level = levels_db(variables.reshape(SECTIONS, 3, -1))
    return np.asarray(np.std(level - target[:, None], axis=0))


def search(count: int) -> None:
    """Differential evolution for every target not yet searched, kept as soon as it is found."""
    for seed in missing(FILE, CONDITIONS, count):
        target = target_db(seed)
        found, how = searched(lambda x, t=target: error_db(x, t), BOUNDS * SECTIONS, SECONDS, seed)
        error = float(error_db(found[:, None], target)[0])
        keep(FILE, CONDITIONS, seed, {"error_db": error, "target_db_2": float(target[2]), **how})
        print(f"target {seed}: {error:.4f} dB, {how}", flush=True)


def problem_of(target: Array) -> Problem:
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


def ours(target: Array, sections: int = SECTIONS) -> tuple[float, float, Array]:
    """Error in dB, processor time in s, and the variables found."""
    knobs = Range(minimum=20, maximum=20000), Range(minimum=0.4, maximum=16)
    processor = Processor(
        filter_types=("peaking",),
        filter_frequency_hz=knobs[0],
        filter_q=knobs[1],
        filter_gain_db=Range(minimum=-15, maximum=12),
    )
    problem, rules = problem_of(target), Rules(processor, 12.0, sections, 0.0, free=True)
    started = time.process_time()
    state = grown(problem, neutral(1), [Ground((0,), (20, 20000))], rules, exchanges=0)
    taken = time.process_time() - started
    values = np.array([section.values for section in state.sections])
    return float(np.std(levels_db(values[..., None])[:, 0] - target)), taken, values


def picked_db(target: Array) -> float:
    """Error of ten sections put one by one at the greatest deviation, each fitted by itself."""
    problem, left, total = problem_of(target), target - target.mean(), np.zeros(200)
    for _ in range(SECTIONS):
        problem, place = problem_of(left), int(np.argmax(np.abs(left)))
        trials = []
        for q in (0.7, 1.5, 3.0, 6.0):
            values = (float(np.log(FREQUENCIES[place])), float(np.log(q)), float(left[place]))
            low, high = (tuple(float(b[i]) for b in BOUNDS) for i in (0, 1))
            clipped = np.clip(values, low, high)
            section = Section("peaking", (0,), (*map(float, clipped),), low, high)
            start = neutral(1).with_section(section)
            trials.append(fitted(problem, start, Free(sections=(0,)), 40))
        state, _ = min(trials, key=lambda trial: trial[1])
        total += levels_db(np.array(state.sections[0].values)[None, :, None])[:, 0]
        left = target - total
        left -= left.mean()
    return float(np.std(left))


def enough(target: Array, error: float) -> int:
    """How many of our sections reach that error."""
    return next((n for n in range(1, SECTIONS) if ours(target, n)[0] <= error), SECTIONS)


def compare(count: int) -> None:
    """One line per target and the summary."""
    found, rows = kept(FILE)["results"], []
    for seed in range(count):
        error, taken, values = ours(target_db(seed))
        other = found.get(str(seed), {}).get("error_db", np.nan)
        rows.append((error, taken, other))
        print(
            f"target {seed:2d}: {error:.4f} dB with {len(values)} in {taken * 1e3:.0f} ms", end=""
        )
        print(f"; differential evolution {other:.4f} dB" if np.isfinite(other) else "")
    errors, times, others = np.array(rows).T
    held = np.isfinite(others)
    picked = [picked_db(target_db(seed)) for seed in range(0, count, 5)]
    fewer = [enough(target_db(5 * n), error) for n, error in enumerate(picked)]
    print(
        f"ours: median {np.median(errors):.4f}, worst {errors.max():.4f} dB; processor time "
        f"median {np.median(times) * 1e3:.0f}, longest {times.max() * 1e3:.0f} ms"
    )
    if held.any():
        print(
            f"differential evolution, {held.sum()} targets: median {np.median(others[held]):.4f}, "
            f"worst {others[held].max():.4f} dB (ours on these {np.median(errors[held]):.4f}, "
            f"{errors[held].max():.4f}); ours no worse in {np.sum(errors[held] <= others[held])}"
        )
    print(
        f"ten picked one by one, {len(picked)} targets: median {np.median(picked):.3f} dB; "
        f"ours need {np.median(fewer):.0f} (at most {max(fewer)}) for the same error"
    )


if __name__ == "__main__":
    wanted = [int(item) for item in sys.argv[1:] if item != "--search"] or [50]
    (search if "--search" in sys.argv else compare)(wanted[0])
