"""How much a deviation at a frequency is heard, per octave, against one at 1 kHz.

An octave counts by the number of the ear's bands that it covers (equivalent
rectangular bandwidths, B. R. Glasberg and B. C. J. Moore, Hearing Research 47,
103-138, 1990), each by how fast loudness grows there with level (exponents of
ISO 226:2003, table 1, from memory): few bands in the bass, but each decibel
tells more. Nothing counts more than at 1 kHz.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

_LOUDNESS_HZ = (20.0, 31.5, 50.0, 80.0, 125.0, 200.0, 315.0, 500.0, 800.0, 1250.0, 2000.0,
                3150.0, 5000.0, 8000.0, 12500.0)  # fmt: skip
_LOUDNESS_EXPONENT = (0.532, 0.480, 0.432, 0.387, 0.349, 0.315, 0.288, 0.267, 0.253, 0.246,
                      0.243, 0.243, 0.242, 0.254, 0.301)  # fmt: skip
_AT_1K = 0.250


def ear_bandwidth_hz(frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Equivalent rectangular bandwidth at the frequencies, Glasberg and Moore 1990, Eq. 3."""
    return 24.7 * (4.37e-3 * np.asarray(frequencies_hz, dtype=float) + 1)


def audibility(frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Share of the squared deviation that counts, 0 to 1, at the frequencies."""
    hz = np.asarray(frequencies_hz, dtype=float)
    bands = hz / ear_bandwidth_hz(hz) * ear_bandwidth_hz(1000.0) / 1000.0
    exponent = np.interp(np.log(hz), np.log(_LOUDNESS_HZ), _LOUDNESS_EXPONENT)
    return np.asarray(np.minimum(bands * (exponent / _AT_1K) ** 2, 1.0))
