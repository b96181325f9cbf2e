"""A programme at full scale that drives every output as hard as one can.

For each output the signals are played that sum up worst there: every channel
the sign of its reversed impulse response to that output, so that at one moment
all samples add up (the bound of any input within full scale). Between them,
all channels play steady full-scale sines and square waves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.processor.rendering import render
from roomtune.processor.tuning import Tuning

Array = NDArray[np.float64]
SECONDS = 0.6
STEADY_HZ = (25.0, 45.0, 80.0, 300.0, 2500.0)


def full_scale_peaks_dbfs(tuning: Tuning) -> dict[str, float]:
    """Highest peak of each output, limiters working, when driven as hard as one can."""
    peaks = np.full(len(tuning.outputs), -180.0)
    for programme in _programmes(tuning):
        peak = np.abs(render(tuning, programme, limiters=True)).max(axis=0)
        peaks = np.maximum(peaks, 20 * np.log10(np.maximum(peak, 1e-9)))
    names = [output.name for output in tuning.outputs]
    return dict(zip(names, map(float, peaks), strict=True))


def worst_programme(tuning: Tuning, output: str) -> Array:
    """The programme (n, channels) within full scale that peaks highest at one output."""
    length = int(SECONDS * tuning.sample_rate_hz)
    place = [item.name for item in tuning.outputs].index(output)
    programme = np.zeros((length, len(tuning.channels)))
    for channel in range(len(tuning.channels)):
        impulse = np.zeros_like(programme)
        impulse[0, channel] = 1.0
        answer = render(tuning, impulse)[:, place]
        programme[:, channel] = np.where(answer[::-1] < 0, -1.0, 1.0)
    return programme


def _programmes(tuning: Tuning) -> list[Array]:
    times = np.arange(int(SECONDS * tuning.sample_rate_hz)) / tuning.sample_rate_hz
    ones = np.ones((1, len(tuning.channels)))
    steady = [np.sin(2 * np.pi * f * times)[:, None] * ones for f in STEADY_HZ]
    square = [np.where(wave < 0, -1.0, 1.0) for wave in steady]
    worst = [worst_programme(tuning, output.name) for output in tuning.outputs]
    return [*steady, *square, *worst]
