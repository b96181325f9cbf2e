"""Levels: of a response in a band, and as sound pressure when calibrated."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.bands import mean_over_bands, power_db_or_nan
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.signal.weighting import Weighting, weighting_db

REFERENCE_PRESSURE_PA = 20e-6


def band_level_db(
    response: FrequencyResponse, band_hz: tuple[float, float], weighting: Weighting = "Z"
) -> NDArray[np.float64]:
    """Level of the mean power over log frequency in a band, shape (...).

    That is the level which band-limited pink noise would be found to have,
    relative to the same noise at the source. Raises ValueError for a band that
    does not rise; NaN when it lies outside the grid.
    """
    if not 0 < band_hz[0] < band_hz[1]:
        raise ValueError(f"no band from {band_hz[0]} to {band_hz[1]} Hz")
    weights = 10 ** (weighting_db(response.frequencies_hz, weighting) / 10)
    power = np.abs(response.values) ** 2 * weights
    mean = mean_over_bands(response.frequencies_hz, power, np.array([band_hz]))
    return power_db_or_nan(mean)[..., 0]


def in_pascal(response: ImpulseResponse, sensitivity_dbfs_at_94_db: float) -> ImpulseResponse:
    """Return a recorded response in Pa.

    `sensitivity_dbfs_at_94_db` is the root mean square, in dB re a sample of 1,
    at which a sine of 1 Pa root mean square (94 dB) is recorded.
    Raises ValueError when the response is in Pa already.
    """
    if response.unit == "Pa":
        raise ValueError("the response is in Pa already")
    scale = 1 / 10 ** (sensitivity_dbfs_at_94_db / 20)
    return ImpulseResponse(
        response.samples * scale,
        response.sample_rate_hz,
        response.start_s,
        "Pa",
    )
