"""Speed of the analysis: smoothing against pyfar, arrival, modes, decay.

    python tests/benchmarks/analysis_speed.py

Best of several runs, one thread where OMP_NUM_THREADS=1 is set. pyfar smooths
with another definition of the window's ends: a comparison of cost.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np

from roomtune.analysis.arrival import arrival
from roomtune.analysis.decay import decay
from roomtune.analysis.modes import fit_modes
from roomtune.signal.smoothing import smooth_power_db
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

RATE = 48000


def best_ms(task: Callable[[], object], runs: int) -> float:
    """Least processor time of several runs in milliseconds."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        task()
        times.append(time.process_time() - start)
    return 1000 * min(times)


def smoothing() -> None:
    """Our smoothing of 2^18 + 1 bins against pyfar's."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyfar
    samples = np.random.default_rng(0).normal(size=1 << 19)
    response = FrequencyResponse(np.fft.rfftfreq(len(samples), 1 / RATE), np.fft.rfft(samples))
    signal = pyfar.Signal(samples, RATE)
    for fraction in (6, 24):
        ours = best_ms(lambda f=fraction: smooth_power_db(response, f), 8)
        theirs = best_ms(lambda f=fraction: pyfar.dsp.smooth_fractional_octave(signal, f), 2)
        print(
            f"smoothing 1/{fraction:<2} octave, 2^18+1 bins: {ours:7.1f} ms, "
            f"pyfar {theirs:7.0f} ms, {theirs / ours:4.0f} times"
        )


def others() -> None:
    """Arrival per response, decay in eight octaves, modes of 60 responses."""
    rng = np.random.default_rng(1)
    times = np.arange(RATE) / RATE
    tail = np.exp(-7 * times / 0.4) * rng.normal(size=RATE)
    row = 0.2 * tail + np.eye(1, RATE, 480)[0] + 1e-4 * rng.normal(size=RATE)
    response = ImpulseResponse(row, float(RATE), -0.01)
    print(f"arrival, one response of 1 s:        {best_ms(lambda: arrival(response), 5):7.1f} ms")
    print(f"decay, 8 octaves of 1 s:             {best_ms(lambda: decay(response), 5):7.1f} ms")
    frequencies = np.sort(rng.uniform(25, 150, 25))[:, None]
    waves = np.exp(-7 * times / 0.6) * np.sin(2 * np.pi * frequencies * times)
    sounds = rng.normal(size=(12, 5, 25)) @ waves + 1e-3 * rng.normal(size=(12, 5, RATE))
    room = ImpulseResponse(sounds, float(RATE))
    print(f"modes below 120 Hz, 60 responses:    {best_ms(lambda: fit_modes(room), 2):7.0f} ms")


if __name__ == "__main__":
    smoothing()
    others()
