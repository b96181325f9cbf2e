"""The operational room response: a measured channel against limits of its own shape.

ITU-R BS.1116-3 and EBU Tech 3276 ask for the third-octave levels of each
channel at the listening place to lie within limits about their mean from
200 Hz to 4 kHz, whatever was predicted. The numbers here are from memory:
+3 and -3 dB from 50 Hz to 2 kHz, the lower limit falling from there by 1 dB per
octave to -6 dB at 16 kHz. Look them up before you certify a room by them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.session.verdicts import VerificationRow
from roomtune.signal.bands import band_name

LIMIT_DB = 3.0
LOW_HZ, BEND_HZ, HIGH_HZ = 50.0, 2000.0, 16000.0
FALL_DB_PER_OCTAVE = 1.0
MEAN_BAND_HZ = (200.0, 4000.0)
Real = NDArray[np.float64]


def operational_limits_db(centres_hz: Real) -> tuple[Real, Real]:
    """Lower and upper limit (b,) re the mean level; infinite outside 50 Hz to 16 kHz."""
    octaves = np.maximum(np.log2(np.asarray(centres_hz) / BEND_HZ), 0.0)
    inside = (centres_hz > LOW_HZ / 1.1) & (centres_hz < HIGH_HZ * 1.1)
    lower = np.where(inside, -LIMIT_DB - FALL_DB_PER_OCTAVE * octaves, -np.inf)
    return lower, np.where(inside, LIMIT_DB, np.inf)


def operational_faults(row: VerificationRow, centres_hz: Real) -> list[str]:
    """The band that lies farthest outside the limits, in a sentence; none where all lie inside.

    The limits are widened by twice the uncertainty, as all tolerances are.
    """
    level = np.asarray(row.measured_db)
    middle = (centres_hz > MEAN_BAND_HZ[0] / 1.1) & (centres_hz < MEAN_BAND_HZ[1] * 1.1)
    known = np.isfinite(level) & np.isfinite(row.uncertainty_db)
    if not (known & middle).any():
        return []
    level = level - 10 * np.log10(np.mean(10 ** (level[known & middle] / 10)))
    lower, upper = operational_limits_db(centres_hz)
    beyond = np.maximum(level - upper, lower - level) - 2 * row.uncertainty_db
    beyond = np.where(known & np.isfinite(upper), beyond, -np.inf)
    worst = int(np.argmax(beyond))
    if not beyond[worst] > 0:
        return []
    return [
        f"the operational room response at {band_name(centres_hz[worst])} is "
        f"{level[worst]:+.1f} dB re its mean, allowed are {lower[worst]:+.1f} to "
        f"{upper[worst]:+.1f} dB"
    ]
