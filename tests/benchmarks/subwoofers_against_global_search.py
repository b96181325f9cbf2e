"""Several subwoofers: our search against differential evolution on the same cost.

    python tests/benchmarks/subwoofers_against_global_search.py [seconds for the oracle] [rooms]

Random rooms with 2 to 4 subwoofers and 6 to 9 seats; 20 to 100 Hz. Both search
gains, delays and polarities within the same bounds.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from advice_never_worse import truth
from scipy.optimize import differential_evolution

from roomtune.advisor.aims import Aims
from roomtune.advisor.arrangement import (
    GAIN_REACH_DB,
    REACH_MS,
    Bass,
    _costs,
    bass_of,
    best_setting,
    subwoofer_places,
)
from roomtune.advisor.energy import energy_model
from roomtune.advisor.sounds import direct_sound_table
from roomtune.advisor.starting import starting_tuning
from roomtune.virtual import VirtualRoom
from roomtune.virtual.random import random_scenario


def bass_of_room(seed: int) -> Bass:
    """The subwoofers of a random room, by themselves."""
    scenario, system = random_scenario(
        seed, layout="2.1", subwoofers=2 + seed % 3, seats=6 + seed % 4
    )
    measured = truth(system, VirtualRoom(scenario, system).quiet())
    tuning = starting_tuning(system)
    aims = Aims(system, measured, energy_model(measured, tuning))
    places = subwoofer_places(aims)
    times = direct_sound_table(measured, aims.main_seat).times_ms[list(places)]
    found = bass_of(aims, tuning, places, np.nan_to_num(times.max() - times), 100.0)
    assert found is not None
    return found


def oracle(bass: Bass, seconds: float, seed: int) -> tuple[float, float]:
    """Spread and loss in dB that differential evolution reaches in the given time."""
    n = bass.count
    start = bass.start_ms
    bounds = [(-GAIN_REACH_DB, 0)] * n
    bounds += [(start[k] - REACH_MS, start[k] + REACH_MS) for k in range(1, n)]
    bounds += [(-1, 1)] * (n - 1)
    stop, allowed = time.perf_counter() + seconds, bass.allowed_db

    def settings(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        gains = 10 ** (x[:n].T / 20)
        first = np.full((x.shape[1], 1), start[0])
        delays = np.concatenate([first, x[n : 2 * n - 1].T], axis=1)
        signs = np.concatenate([first * 0 + 1, np.where(x[2 * n - 1 :].T < 0, -1, 1)], axis=1)
        return bass.measures(bass.turned(delays, signs) * gains[..., None])

    found = differential_evolution(
        lambda x: _costs(*settings(x.reshape(len(bounds), -1)), allowed),
        bounds,
        maxiter=10**6,
        popsize=15,
        seed=seed,
        polish=False,
        vectorized=True,
        updating="deferred",
        callback=lambda *_: time.perf_counter() > stop,
    )
    spread, loss = settings(found.x[:, None])
    return float(spread[0]), float(loss[0])


def main() -> None:
    """Print one line per room and the summary."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 300.0
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    rows = []
    for seed in range(count):
        bass = bass_of_room(seed)
        started = time.perf_counter()
        state, signs = best_setting(bass)
        taken = time.perf_counter() - started
        factor = 10 ** (state.gains_db / 20)[None, :, None]
        turned = bass.turned(state.delays_ms[None], signs[None]) * factor
        spread, loss = (float(v[0]) for v in bass.measures(turned))
        plain, lost = bass.measures(bass.turned(bass.start_ms[None], np.ones((1, bass.count))))
        other, other_loss = oracle(bass, seconds, seed)
        rows.append((spread, loss, taken, other))
        print(
            f"room {seed:2d}: {bass.count} subwoofers, {len(bass.weights)} seats: "
            f"{plain[0]:.2f} > {spread:.2f} dB, loss {lost[0]:.2f} > {loss:.2f} dB, "
            f"{taken:.2f} s; "
            f"differential evolution {other:.2f} dB, loss {other_loss:.2f} dB",
            flush=True,
        )
    table = np.array(rows)
    print(
        f"worst against the oracle {np.max(table[:, 0] - table[:, 3]):+.2f} dB, "
        f"largest loss {table[:, 1].max():.2f} dB, longest {table[:, 2].max():.2f} s"
    )


if __name__ == "__main__":
    main()
