"""The bandwidth in octaves that the Q of a filter means.

Source: W3C Audio EQ Cookbook (Working Group Note, 8 June 2021).
"""

from __future__ import annotations

import math


def bandwidth_octaves(q: float, frequency_hz: float, sample_rate_hz: float) -> float:
    """Octaves between the half-gain (of a notch or band pass: -3 dB) edges of a filter."""
    w = 2 * math.pi * frequency_hz / sample_rate_hz
    return math.asinh(1 / (2 * q)) * 2 / math.log(2) * math.sin(w) / w
