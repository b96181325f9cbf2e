"""Decibels."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

SMALLEST = 1e-300


def power_db(ratio: ArrayLike) -> NDArray[np.float64]:
    """Level of a power ratio, 10 lg x; zero gives -3000 dB."""
    return 10 * np.log10(np.maximum(np.asarray(ratio, dtype=float), SMALLEST))


def amplitude(level_db: ArrayLike) -> NDArray[np.float64]:
    """Amplitude ratio of a level in dB."""
    return np.power(10.0, np.asarray(level_db, dtype=float) / 20)


def power(level_db: ArrayLike) -> NDArray[np.float64]:
    """Power ratio of a level in dB."""
    return np.power(10.0, np.asarray(level_db, dtype=float) / 10)
