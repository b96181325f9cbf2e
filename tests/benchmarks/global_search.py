"""Differential evolution within a budget of processor time, its results kept in a file.

The results depend on the problem alone, not on our code, and take hours: the
benchmarks that are held against them read the file; `--search` fills what is missing
in it (all, when the conditions have changed or the file was deleted).
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.optimize import differential_evolution

Array = NDArray[np.float64]


def searched(
    cost: Callable[[Array], Array], bounds: list[tuple[float, float]], seconds: float, seed: int
) -> tuple[Array, dict[str, Any]]:
    """Best variables (n,) of scipy's differential evolution and how they were found.

    `cost` gives one value for every column of (n, candidates). scipy's default
    settings and final polish, but 5 members per variable, which got further in
    this time than the default 15; stopped after `seconds` of processor time.
    """
    started = time.process_time()
    found = differential_evolution(
        lambda x: cost(x.reshape(len(bounds), -1)),
        bounds,
        maxiter=10**6,
        popsize=5,
        tol=0,
        rng=seed,
        init="sobol",
        vectorized=True,
        updating="deferred",
        callback=lambda *_: time.process_time() - started > seconds,
    )
    how = {
        "generations": int(found.nit),
        "evaluations": int(found.nit + 1) * len(found.population),
        "processor_s": round(time.process_time() - started, 1),
    }
    return found.x, how


def kept(file: Path) -> dict[str, Any]:
    """What a file holds: `conditions`, and `results` by seed."""
    return json.loads(file.read_text()) if file.exists() else {"conditions": {}, "results": {}}


def missing(file: Path, conditions: dict[str, Any], count: int) -> list[int]:
    """The seeds below `count` that have no result under these conditions."""
    held = kept(file)
    done = held["results"] if held["conditions"] == _full(conditions) else {}
    return [seed for seed in range(count) if str(seed) not in done]


def _full(conditions: dict[str, Any]) -> dict[str, Any]:
    return {**conditions, "scipy": scipy.__version__, "numpy": np.__version__}


def keep(file: Path, conditions: dict[str, Any], seed: int, result: dict[str, Any]) -> None:
    """Add one result to a file; results under other conditions are dropped."""
    conditions, held = _full(conditions), kept(file)
    results = held["results"] if held["conditions"] == conditions else {}
    results[str(seed)] = result
    ordered = dict(sorted(results.items(), key=lambda item: int(item[0])))
    lines = ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in ordered.items())
    text = f'{{"conditions": {json.dumps(conditions, indent=2)},\n"results": {{\n{lines}\n}}}}\n'
    file.write_text(text)
