"""Deconvolving twelve recordings of 2^19 samples: ours, plain scipy.fft, pyfar.

    python tests/benchmarks/deconvolution_speed.py

Each way runs in a process of its own: best processor time of eight runs, and the highest
memory above what the process held with the recordings loaded. OMP_NUM_THREADS=1
makes it one thread.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
import scipy.fft

from roomtune.signal.deconvolution import deconvolve
from roomtune.signal.sweeps import Sweep, sweep_signal

RATE = 48000
COUNT = 2**19
SWEEP = Sweep(20, 20000, 8, RATE)
WAYS = ("roomtune", "scipy.fft", "pyfar")


def recordings() -> np.ndarray:
    """Twelve sweeps through twelve short random responses, shape (12, 2^19)."""
    random = np.random.default_rng(0)
    played = scipy.fft.rfft(sweep_signal(SWEEP), COUNT)
    rows = np.empty((12, COUNT))
    for row in rows:
        response = random.standard_normal(4096) * np.exp(-np.arange(4096) / 500)
        row[:] = scipy.fft.irfft(played * scipy.fft.rfft(response, COUNT), COUNT)
    return rows


def ours(rows: np.ndarray) -> object:
    """Our deconvolution, with its windows and four distortion orders."""
    return deconvolve(rows, SWEEP, time_zero_s=0.25 / RATE)


def plain(rows: np.ndarray) -> object:
    """Regularised spectral division of everything at once."""
    sweep = scipy.fft.rfft(sweep_signal(SWEEP), COUNT)
    energy = np.abs(sweep) ** 2
    inverse = np.conj(sweep) / (energy + 1e-6 * energy.max())
    return scipy.fft.irfft(scipy.fft.rfft(rows) * inverse, COUNT)


def pyfars(rows: np.ndarray) -> object:
    """pyfar's regularised deconvolution."""
    import pyfar

    excitation = pyfar.Signal(np.pad(sweep_signal(SWEEP), (0, COUNT - SWEEP.sample_count)), RATE)
    inverse = pyfar.dsp.regularized_spectrum_inversion(excitation, (20, 20000))
    return pyfar.Signal(rows, RATE) * inverse


def run(way: str) -> None:
    """Time one way and print milliseconds and megabytes."""
    warnings.simplefilter("ignore")
    task: Callable[[np.ndarray], object] = {"roomtune": ours, "scipy.fft": plain, "pyfar": pyfars}[
        way
    ]
    if way == "pyfar":
        import pyfar  # noqa: F401
    rows = recordings()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    times = []
    for _ in range(9):
        start = time.process_time()
        task(rows)
        times.append(time.process_time() - start)
    above = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    print(f"{way:10s} {1e3 * min(times[1:]):8.1f} ms {above / 1024:8.1f} MB")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        run(sys.argv[1])
    else:
        for name in WAYS:
            subprocess.run([sys.executable, __file__, name], check=True)
