"""Ten sections on 200 points: our joint fit against differential evolution.

    python tests/benchmarks/equaliser_against_global_search.py [targets]
    python tests/benchmarks/equaliser_against_global_search.py --search [targets]

Each target is the level of 14 random sections (peaking, 25 Hz to 16 kHz, Q 0.5
to 8, gains normal with 4 dB). Ten peaking sections shall follow it but for one
level, within the same bounds for both. The second command does the global
search again (60 s of processor time for each target) and keeps it beside this
script; the first runs ours and compares.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from global_search import keep, searched
from numpy.typing import NDArray

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
    """Differential evolution for every target, kept as soon as it is found."""
    for seed in range(count):
        target = target_db(seed)
        found, how = searched(lambda x, t=target: error_db(x, t), BOUNDS * SECTIONS, SECONDS, seed)
        error = float(error_db(found[:, None], target)[0])
        keep(FILE, CONDITIONS, seed, {"error_db": error, "target_db_2": float(target[2]), **how})
        print(f"target {seed}: {error:.4f} dB, {how}", flush=True)


if __name__ == "__main__":
    search(int((sys.argv[2:] or ["50"])[0]))
