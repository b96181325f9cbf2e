"""At what level each output plays cleanly, from the harmonics that its takes hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.take import Take
from roomtune.signal.bands import third_octave_centres_hz

BAND_HZ = (20.0, 10000.0)
LIMITS_DB = (-20.0, -30.0)
Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CleanLevels:
    """Highest level of a sine, dBFS, at which harmonics stay low: (outputs, k) at thirds.

    Order 2 under 10 %, higher ones under 3.2 % of the fundamental; infinite
    where no harmonic stands out of the noise.
    """

    frequencies_hz: Array
    level_dbfs: Array


def clean_levels(rows: Sequence[Sequence[Take]]) -> CleanLevels:
    """From takes (outputs, seats): each output at the seat where it was heard best."""
    centres = third_octave_centres_hz(*BAND_HZ)
    return CleanLevels(centres, np.array([_of_take(_best(row), centres) for row in rows]))


def _best(row: Sequence[Take]) -> Take:
    """The take with the highest signal-to-noise ratio; the first of equals."""
    return max(row, key=lambda take: float(np.mean([db for _, db in take.octave_snr_db] or [0.0])))


def _of_take(take: Take, centres_hz: Array) -> Array:
    from roomtune.analysis.distortion import distortion, usable_level_dbfs

    if not take.harmonics:
        return np.full(len(centres_hz), np.inf)
    band = (take.stimulus.start_hz, take.stimulus.stop_hz)
    found = distortion(take.impulse_response, take.harmonics, centres_hz, band, None, 3.0)
    level = usable_level_dbfs(found, take.level_dbfs, LIMITS_DB)
    inside = (centres_hz >= band[0]) & (centres_hz <= band[1])
    return np.where(inside, level, np.inf)
