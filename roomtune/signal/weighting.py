"""Frequency weightings A, C and Z of IEC 61672-1:2013 (Annex E)."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Weighting = Literal["A", "C", "Z"]
POLES_HZ = (20.598997, 107.652649, 737.862231, 12194.217148)


def weighting_db(frequencies_hz: ArrayLike, weighting: Weighting) -> NDArray[np.float64]:
    """Level of a weighting in dB at any frequencies, 0 dB at 1 kHz.

    Formulas E.1 and E.6 of IEC 61672-1:2013; about -3000 dB at 0 Hz for A and
    C. Raises ValueError for an unknown weighting.
    """
    square = np.asarray(frequencies_hz, dtype=float) ** 2
    if weighting == "Z":
        return np.zeros_like(square)
    return _unscaled_db(square, weighting) - _unscaled_db(np.array(1e6), weighting)


def _unscaled_db(square: NDArray[np.float64], weighting: Weighting) -> NDArray[np.float64]:
    low, lower_middle, upper_middle, high = (pole**2 for pole in POLES_HZ)
    gain = square / (square + low) / (square + high)
    if weighting == "A":
        gain = gain * square / np.sqrt((square + lower_middle) * (square + upper_middle))
    elif weighting != "C":
        raise ValueError(f"weighting must be A, C or Z, got {weighting!r}")
    return 20 * np.log10(np.maximum(gain, 1e-150))
