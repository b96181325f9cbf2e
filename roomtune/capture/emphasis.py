"""Sweeps that follow the room's noise: as loud as their limit only where the room is loud.

After S. Mueller, P. Massarani, "Transfer-Function Measurement with Sweeps", JAES
49(6), 443-471 (2001): the spectrum of the stimulus follows that of the
noise, so that the signal-to-noise ratio is about the same at every frequency. There
the time at each frequency changes; here the level does, because the exponential
course of the sweep is what keeps distortion apart. Nowhere is it louder than without.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.listening import NoiseReport
from roomtune.capture.requests import TakeRequest

DEEPEST_DB = -12.0
SPREAD_THIRDS = 3


def follow_noise(
    request: TakeRequest, noise: NoiseReport, deepest_db: float = DEEPEST_DB
) -> TakeRequest:
    """Return the request with its sweep's level following the noise in third-octaves.

    Full level where the noise in the swept band is strongest, at most 12 dB less
    where it is weakest. An exponential sweep has the same energy in every third, so
    the noise per third tells directly. Smoothed over an octave.
    """
    sweep = request.sweep
    reach = 2 ** (1 / 6)
    inside = (noise.centres_hz * reach >= sweep.start_hz) & (
        noise.centres_hz <= reach * sweep.stop_hz
    )
    if np.count_nonzero(inside) < 2:
        return request
    levels_db = _loudest_nearby(noise.levels_dbfs[inside])
    gains_db = np.maximum(levels_db - levels_db.max(), deepest_db)
    emphasis = zip(noise.centres_hz[inside].tolist(), gains_db.tolist(), strict=True)
    return replace(request, sweep=replace(sweep, emphasis=tuple(emphasis)))


def _loudest_nearby(levels_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """The highest level within a third on either side, then the mean over three thirds."""
    padded = np.pad(levels_db, SPREAD_THIRDS // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, SPREAD_THIRDS)
    highest = np.pad(windows.max(axis=-1), SPREAD_THIRDS // 2, mode="edge")
    means = np.lib.stride_tricks.sliding_window_view(highest, SPREAD_THIRDS).mean(axis=-1)
    return np.asarray(means)
