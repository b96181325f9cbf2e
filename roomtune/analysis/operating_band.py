"""Where a driver can work here: range, extension, and what noise and distortion leave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.distortion import Distortion
from roomtune.signal.bands import log_frequencies_hz, mean_over_bands
from roomtune.signal.values import FrequencyResponse

_POINTS_PER_OCTAVE = 24
_FINE = 9.0


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels smoothed over a ninth of an octave: frequencies_hz (k,), level_db (..., k)."""

    frequencies_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]


def smoothed_levels(
    response: FrequencyResponse, band_hz: tuple[float, float], fraction: float = _FINE
) -> Levels:
    """Levels of a response on an even log grid within a band, smoothed."""
    grid = log_frequencies_hz(*band_hz, _POINTS_PER_OCTAVE)
    reach = 2 ** (0.5 / fraction)
    bands = np.stack([grid / reach, grid * reach], axis=-1)
    power = mean_over_bands(response.frequencies_hz, np.abs(response.values) ** 2, bands)
    return Levels(grid, 10 * np.log10(np.maximum(power, 1e-300)))


def working_range_hz(
    response: FrequencyResponse, band_hz: tuple[float, float], drop_db: float = 10.0
) -> NDArray[np.float64]:
    """Limits (..., 2) of the widest range within `drop_db` of the usual level.

    For responses in rooms: on third-octave levels, relative to their median in
    the band, so that neither the room's lift of the lowest octave nor a dip
    decides.
    """
    levels = smoothed_levels(response, band_hz, 3.0)
    rows = levels.level_db.reshape(-1, len(levels.frequencies_hz))
    limits = []
    for row in rows:
        first, last = _widest(row > np.median(row) - drop_db)
        limits.append(levels.frequencies_hz[[first, last]])
    return np.array(limits).reshape(*levels.level_db.shape[:-1], 2)


def extension_hz(
    response: FrequencyResponse,
    reference_hz: tuple[float, float],
    drops_db: ArrayLike = (3.0, 6.0, 10.0),
    lowest_hz: float = 10.0,
) -> NDArray[np.float64]:
    """Frequencies (..., drops) where the level first falls so far going down.

    Relative to the mean power in `reference_hz`, on levels smoothed over a
    third of an octave: in a room these hold the lift that the room gives. NaN
    where the level does not fall so far above `lowest_hz`.
    """
    levels = smoothed_levels(response, (lowest_hz, reference_hz[1]), 3.0)
    power = np.abs(response.values) ** 2
    mean = mean_over_bands(response.frequencies_hz, power, np.array([reference_hz]))
    reference = 10 * np.log10(np.maximum(mean, 1e-300))
    below = levels.level_db - reference
    drops = np.atleast_1d(np.asarray(drops_db, dtype=float))
    rows = below.reshape(-1, below.shape[-1])
    start = int(np.searchsorted(levels.frequencies_hz, reference_hz[0]))
    found = [[_falls(levels.frequencies_hz, row, start, -drop) for drop in drops] for row in rows]
    return np.array(found).reshape(*below.shape[:-1], len(drops))


def usable_band_hz(
    response: FrequencyResponse,
    band_hz: tuple[float, float],
    noise_level_db: ArrayLike | None = None,
    measured: Distortion | None = None,
    drop_db: float = 10.0,
    above_noise_db: float = 10.0,
    most_distortion_db: float = -20.0,
) -> tuple[float, float]:
    """Band (low, high) of one response (k,) that level, noise and distortion allow.

    `noise_level_db` (k,): level of the noise in the response, on its grid. The
    widest range in which third-octave levels stay within `drop_db` of their
    median (see `working_range_hz`) and `above_noise_db` over the noise, and
    total distortion under `most_distortion_db`. NaN without one.
    """
    levels = smoothed_levels(response, band_hz, 3.0)
    good = levels.level_db > np.median(levels.level_db) - drop_db
    if noise_level_db is not None:
        known = np.asarray(noise_level_db, dtype=float)
        noise = np.interp(levels.frequencies_hz, response.frequencies_hz, known)
        good &= levels.level_db > noise + above_noise_db
    if measured is not None:
        total = np.interp(
            np.log(levels.frequencies_hz),
            np.log(measured.frequencies_hz),
            np.nan_to_num(measured.total_db, nan=-200.0),
        )
        good &= total <= most_distortion_db
    if not np.any(good):
        return np.nan, np.nan
    first, last = _widest(good)
    return float(levels.frequencies_hz[first]), float(levels.frequencies_hz[last])


def _widest(good: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last place of the longest run; at least one is good."""
    inside = np.concatenate([[False], good, [False]])
    starts = np.flatnonzero(inside[1:] & ~inside[:-1])
    stops = np.flatnonzero(inside[:-1] & ~inside[1:]) - 1
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest])


def _falls(
    frequencies: NDArray[np.float64], level: NDArray[np.float64], start: int, to_db: float
) -> float:
    """Where, going down from `start`, the level first passes `to_db` (interpolated)."""
    under = np.flatnonzero(level[: start + 1] < to_db)
    if not len(under):
        return np.nan
    last = int(under[-1])
    if last >= start:
        return float(frequencies[start])
    share = (to_db - level[last]) / (level[last + 1] - level[last])
    return float(frequencies[last] * (frequencies[last + 1] / frequencies[last]) ** share)
