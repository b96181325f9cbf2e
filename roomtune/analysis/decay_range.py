"""Where a decay sinks into the noise.

The iteration of A. Lundeby, T. E. Vigran, H. Bietz, M. Vorlaender,
"Uncertainties of Measurements in Room Acoustics", Acustica 81, 344-355 (1995).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_ROUNDS = 8
_INTERVALS_PER_10_DB = 6
_PAST_CROSSING_DB = 7.5
_ABOVE_NOISE_DB = 7.5
_SLOPE_RANGE_DB = 20.0


@dataclass(frozen=True)
class DecayRange:
    """Noise and usable length of one squared response.

    noise: mean square; crossing: sample where the decay meets the noise;
    rate_db: late decay in dB per sample (negative); range_db: level of the
    start of the decay above the noise.
    """

    noise: float
    crossing: int
    rate_db: float
    range_db: float


def decay_range(energy: NDArray[np.float64], sample_rate_hz: float) -> DecayRange | None:
    """Find noise and crossing point of a squared response (n,) from its arrival on.

    None when no decay of 10 dB stands above the noise.
    """
    count = len(energy)
    noise = float(np.mean(energy[-max(count // 10, 1) :]))
    interval = max(int(0.03 * sample_rate_hz), 1)
    found: DecayRange | None = None
    for round_number in range(_ROUNDS):
        line = _late_decay(energy, interval, noise, whole=round_number == 0)
        if line is None:
            return found
        rate_db, level_db, range_db = line
        noise_db = 10 * np.log10(max(noise, 1e-300))
        crossing = (noise_db - level_db) / rate_db
        crossing = int(np.clip(crossing, interval, count))
        previous, found = found, DecayRange(noise, crossing, rate_db, range_db)
        if previous and abs(previous.crossing - crossing) < 0.001 * crossing:
            break
        interval = max(int(10 / -rate_db / _INTERVALS_PER_10_DB), 1)
        start = int(crossing + _PAST_CROSSING_DB / -rate_db)
        start = min(start, count - max(count // 10, 1))
        noise = float(np.mean(energy[start:]))
    return found


def _late_decay(
    energy: NDArray[np.float64], interval: int, noise: float, whole: bool
) -> tuple[float, float, float] | None:
    """Slope (dB per sample), level at zero, and range in dB of the smoothed decay."""
    pieces = len(energy) // interval
    if pieces < 4:
        return None
    means = energy[: pieces * interval].reshape(pieces, interval).mean(axis=1)
    levels = 10 * np.log10(np.maximum(means, 1e-300))
    floor = 10 * np.log10(max(noise, 1e-300)) + _ABOVE_NOISE_DB
    first = int(np.argmax(levels))
    top = float(levels[first])
    if top < floor + 10:
        return None
    sunk = np.flatnonzero(levels[first:] < floor)
    last = first + int(sunk[0]) if len(sunk) else pieces
    if not whole:
        high = np.flatnonzero(levels[first:last] > floor + _SLOPE_RANGE_DB)
        first = max(first, first + int(high[-1])) if len(high) else first
    if last - first < 2:
        first = max(last - 2, 0)
    if last - first < 2:
        return None
    places = (np.arange(first, last) + 0.5) * interval
    slope, level = np.polyfit(places, levels[first:last], 1)
    if slope >= 0:
        return None
    return float(slope), float(level), top - floor + _ABOVE_NOISE_DB
