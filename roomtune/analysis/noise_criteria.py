"""Background noise in octave bands against the curves NC and NR.

NC: ANSI/ASA S12.2-2019 Table 1 (older handbooks differ by 1 dB in places). NR:
C. W. Kosten, G. J. van Os, 1962, and ISO/R 1996:1971: L = a + b NR.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.levels import REFERENCE_PRESSURE_PA
from roomtune.signal.bands import noise_band_levels_db, nominal_hz, octave_centres_hz
from roomtune.signal.values import NoiseSpectrum

Criterion = Literal["NC", "NR"]

BANDS_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
NC_CURVES = (15, 20, 25, 30, 35, 40)
_NC_DB = (
    (78, 61, 47, 36, 28, 22, 18, 14, 12, 11),
    (79, 63, 50, 40, 33, 26, 22, 20, 17, 16),
    (80, 65, 54, 44, 37, 31, 27, 24, 22, 22),
    (81, 68, 57, 48, 41, 35, 32, 29, 28, 27),
    (82, 71, 60, 52, 45, 40, 36, 34, 33, 32),
    (84, 74, 64, 56, 50, 44, 41, 39, 38, 37),
)
_NR_A = (55.4, 35.5, 22.0, 12.0, 4.8, 0.0, -3.5, -6.1, -8.0)
_NR_B = (0.681, 0.790, 0.870, 0.930, 0.974, 1.000, 1.015, 1.025, 1.030)


@dataclass(frozen=True)
class NoiseRating:
    """Rating of a background noise.

    rating: by tangency, to a fraction of the step between curves; curve: the
    lowest standard curve (steps of 5) that no band exceeds, None beyond the
    table; deciding_hz: the band that decides.
    """

    criterion: Criterion
    rating: float
    curve: int | None
    deciding_hz: float

    def __str__(self) -> str:
        beyond = "" if self.curve is not None else " (beyond the table)"
        return f"{self.criterion} {self.rating:.0f}, decided at {self.deciding_hz:g} Hz{beyond}"


def rate_noise(
    levels_db: ArrayLike, centres_hz: ArrayLike, criterion: Criterion = "NC"
) -> NoiseRating:
    """Rate octave-band levels (b,), dB re 20 uPa, at nominal or exact mid frequencies.

    Bands that the criterion does not know, and NaN, are left out. Raises
    ValueError when no band is left or the criterion is unknown.
    """
    levels = np.atleast_1d(np.asarray(levels_db, dtype=float))
    nominal = [nominal_hz(c, 1) for c in np.atleast_1d(np.asarray(centres_hz, dtype=float))]
    ratings = np.array(
        [_band_rating(level, hz, criterion) for level, hz in zip(levels, nominal, strict=True)]
    )
    if not np.any(np.isfinite(ratings)):
        raise ValueError(f"none of the bands {nominal} can be rated by {criterion}")
    place = int(np.nanargmax(ratings))
    rating = float(ratings[place])
    highest = NC_CURVES[-1] if criterion == "NC" else 130
    lowest = NC_CURVES[0] if criterion == "NC" else 0
    curve = int(max(5 * np.ceil(rating / 5 - 1e-9), lowest)) if rating <= highest else None
    return NoiseRating(criterion, rating, curve, float(nominal[place]))


def octave_levels_db(noise: NoiseSpectrum) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Octave mid frequencies (b,) and levels (..., b) of noise in Pa, dB re 20 uPa."""
    centres = octave_centres_hz(31.5, 8e3)
    return centres, noise_band_levels_db(noise, centres, 1) - 20 * np.log10(REFERENCE_PRESSURE_PA)


def curve_db(rating: float, criterion: Criterion = "NC") -> NDArray[np.float64]:
    """Level of a curve at BANDS_HZ (10,), between the listed curves by interpolation.

    NaN at 16 Hz for NR, which does not know it.
    """
    if criterion == "NC":
        table = np.array(_NC_DB, dtype=float)
        return np.array([np.interp(rating, NC_CURVES, column) for column in table.T])
    _known(criterion)
    return np.concatenate([[np.nan], np.array(_NR_A) + np.array(_NR_B) * rating])


def _band_rating(level_db: float, hz: float, criterion: Criterion) -> float:
    """The curve that passes through a level in one band; extrapolated beyond the table."""
    _known(criterion)
    if hz not in BANDS_HZ or not np.isfinite(level_db):
        return np.nan
    place = BANDS_HZ.index(hz)
    if criterion == "NR":
        return np.nan if place == 0 else (level_db - _NR_A[place - 1]) / _NR_B[place - 1]
    column = np.array(_NC_DB, dtype=float)[:, place]
    if level_db <= column[0]:
        return float(NC_CURVES[0] + (level_db - column[0]) / (column[1] - column[0]) * 5)
    if level_db >= column[-1]:
        return float(NC_CURVES[-1] + (level_db - column[-1]) / (column[-1] - column[-2]) * 5)
    return float(np.interp(level_db, column, NC_CURVES))


def _known(criterion: str) -> None:
    if criterion not in ("NC", "NR"):
        raise ValueError(f"criterion must be NC or NR, got {criterion!r}")
