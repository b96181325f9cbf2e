"""The wanted response at the seats, in dB over frequency, 0 dB at 1 kHz.

tilt: straight over log frequency about 1 kHz, with a lift of the bass that
rises within the octave below its frequency. cinema: flat from 63 Hz to 2 kHz,
then falling 3 dB per octave, 6 dB above 10 kHz, and a little less below 63 Hz;
half of the falls in rooms under 150 m3 (the shape of SMPTE ST 202:2010 / ISO
2969:2015, as quoted by others; homes lie outside these standards). file:
columns frequency and dB. Adjustments in words add to any of them; each begins
and ends within an octave about its frequencies.
"""

from __future__ import annotations

import pathlib
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.errors import RoomtuneError
from roomtune.system.model import System, Target
from roomtune.system.target_words import parse_adjustment

SMALL_ROOM_M3 = 150.0
HIGHEST_HZ, LARGEST_DB = 1e6, 200.0


def target_db(
    system: System, frequencies_hz: ArrayLike, target: Target | None = None
) -> NDArray[np.float64]:
    """Wanted level in dB at the frequencies, shape (k,).

    Raises RoomtuneError when a curve file cannot be read.
    """
    wanted = target or system.target
    frequencies = np.maximum(np.asarray(frequencies_hz, dtype=float), 1e-3)
    total = _shape_db(system, frequencies, wanted)
    for words in wanted.adjustments:
        change = parse_adjustment(words)
        above = _beyond(frequencies, change.low_hz) if change.low_hz > 0 else 1.0
        below = 1 - _beyond(frequencies, change.high_hz) if np.isfinite(change.high_hz) else 1.0
        total = total + change.gain_db * above * below
    return total


def _beyond(frequencies_hz: NDArray[np.float64], edge_hz: float) -> NDArray[np.float64]:
    """0 below an edge and 1 above it, half at the edge: raised cosine over an octave."""
    rise = np.clip(np.log2(frequencies_hz / edge_hz) + 0.5, 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * rise))


def _shape_db(
    system: System, frequencies: NDArray[np.float64], wanted: Target
) -> NDArray[np.float64]:
    if wanted.shape == "cinema":
        return _cinema_db(frequencies, _volume_m3(system))
    if wanted.shape == "file":
        points_hz, levels = _curve(str(wanted.curve_file))
        at_1k = np.interp(np.log(1000.0), np.log(points_hz), levels)
        return np.interp(np.log(frequencies), np.log(points_hz), levels) - at_1k
    octaves = np.log2(frequencies / 1000)
    rise = np.clip(-np.log2(frequencies / wanted.bass_lift_below_hz), 0, 1)
    lift = wanted.bass_lift_db * (0.5 - 0.5 * np.cos(np.pi * rise))
    return wanted.tilt_db_per_octave * octaves + lift


def _cinema_db(frequencies_hz: NDArray[np.float64], volume_m3: float) -> NDArray[np.float64]:
    share = 0.5 if volume_m3 < SMALL_ROOM_M3 else 1.0
    octaves = [np.maximum(np.log2(frequencies_hz / edge), 0) for edge in (2000, 10000)]
    treble = -3.0 * share * (octaves[0] + octaves[1])
    points = np.log([20.0, 40.0, 50.0, 63.0])
    return treble + np.interp(np.log(frequencies_hz), points, [-5.0, -2.0, -1.0, 0.0])


def _volume_m3(system: System) -> float:
    return float(np.prod(system.room_size_m)) if system.room_size_m else 0.0


@lru_cache(maxsize=8)
def _curve(path: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of a curve file, rising; lines that are not two numbers are skipped."""
    try:
        lines = pathlib.Path(path).read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as fault:
        raise RoomtuneError(
            f"the target curve {path} cannot be read ({fault}); "
            "give its path in [target] curve_file, or choose the shape tilt or cinema"
        ) from fault
    rows = sorted(row for row in map(_numbers, lines) if row is not None)
    if len(rows) < 2:
        raise RoomtuneError(
            f"the target curve {path} has {len(rows)} lines of the form 'frequency dB'; "
            "at least 2 are needed"
        )
    table = np.array(rows)
    return table[:, 0], table[:, 1]


def _numbers(line: str) -> tuple[float, float] | None:
    parts = line.replace(",", " ").replace(";", " ").split()
    try:
        frequency, level = float(parts[0]), float(parts[1])
    except (ValueError, IndexError):
        return None
    sensible = 0 < frequency < HIGHEST_HZ and abs(level) < LARGEST_DB
    return (frequency, level) if sensible else None
