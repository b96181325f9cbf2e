"""Q from the other two ways of stating it: bandwidth in octaves, shelf slope.

Source: W3C Audio EQ Cookbook (Working Group Note, 8 June 2021).
"""

from __future__ import annotations

import math


def q_of_bandwidth(octaves: float, frequency_hz: float, sample_rate_hz: float) -> float:
    """Q of a peaking filter or notch whose half-gain (or -3 dB) edges lie `octaves` apart."""
    w = 2 * math.pi * frequency_hz / sample_rate_hz
    return 1 / (2 * math.sinh(math.log(2) / 2 * octaves * w / math.sin(w)))


def bandwidth_of_q(q: float, frequency_hz: float, sample_rate_hz: float) -> float:
    """The bandwidth in octaves that a Q means; inverse of `q_of_bandwidth`."""
    w = 2 * math.pi * frequency_hz / sample_rate_hz
    return math.asinh(1 / (2 * q)) * 2 / math.log(2) * math.sin(w) / w


def q_of_slope(slope: float, gain_db: float) -> float:
    """Q of a shelf of the given slope (1: as steep as it can be without overshoot)."""
    a = 10 ** (gain_db / 40)
    return 1 / math.sqrt((a + 1 / a) * (1 / slope - 1) + 2)


def slope_of_q(q: float, gain_db: float) -> float:
    """The slope that a shelf's Q means; inverse of `q_of_slope`."""
    a = 10 ** (gain_db / 40)
    return 1 / ((1 / q**2 - 2) / (a + 1 / a) + 1)
