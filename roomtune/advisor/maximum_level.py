"""How loud each channel can play at the main seat, and what stops it there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.driver_limits import DriverLimit
from roomtune.advisor.limits import driver_limits, limit_grid_hz
from roomtune.advisor.prediction import Prediction
from roomtune.advisor.scores import main_index
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import Tuning
from roomtune.signal.bands import band_edges_hz, band_levels_db, third_octave_centres_hz
from roomtune.system.model import System

REFERENCE_PA, SINE_DB = 20e-6, -3.0103
BAND_HZ, PLAYED_DB = (20.0, 16000.0), 35.0
PROGRAMME = "full scale of the channel"
Array = NDArray[np.float64]


@dataclass(frozen=True)
class MaximumLevel:
    """The loudest sine of one channel at the main seat per third-octave that it plays.

    level_db: re 20 uPa rms where the takes are calibrated, else re what a
    full-scale sine would record; uncertainty_db: one standard deviation of it by
    the noise of the takes, median over what is played; limited_by: an output and
    its cause, or the channel's own full scale.
    """

    channel: str
    frequencies_hz: tuple[float, ...]
    level_db: tuple[float, ...]
    limited_by: tuple[str, ...]
    calibrated: bool
    uncertainty_db: float = 0.0


def pressure_of_unity_pa(system: System, unit: str) -> float | None:
    """Pressure that a response of 1 stands for; None where the takes are not calibrated.

    A take in parts of full scale becomes pressure by what 1 Pa is recorded as.
    """
    sensitivity = system.microphone.sensitivity_dbfs_at_94_db
    if unit == "Pa":
        return 1.0
    return None if sensitivity is None else float(10 ** (-sensitivity / 20))


def maximum_levels(
    system: System, tuning: Tuning, prediction: Prediction, unity_pa: float | None
) -> tuple[MaximumLevel, ...]:
    """The loudest sines of every channel that plays at all, a third per value.

    `unity_pa`: the pressure that a predicted response of 1 stands for, where known.
    """
    centres = third_octave_centres_hz(*BAND_HZ)
    edges, grid = band_edges_hz(centres), limit_grid_hz(tuning)
    electrical = 20 * np.log10(np.maximum(np.abs(tuning_response(tuning, grid)), 1e-9))
    seat = main_index(system, prediction.seats)
    heard = band_levels_db(prediction.response[:, seat], centres)
    offset = SINE_DB + (20 * np.log10(unity_pa / REFERENCE_PA) if unity_pa else 0.0)
    limits = driver_limits(system, tuning)
    inside = [np.flatnonzero((grid >= low) & (grid <= high)) for low, high in edges]
    found = []
    for place, name in enumerate(prediction.channels):
        played = [o for o in range(len(tuning.outputs)) if electrical[place, o].max() > -120]
        if not played:
            continue
        allowed = [_allowed(tuning, limits, electrical[place], played, near) for near in inside]
        levels = heard[place] + offset + [level for level, _ in allowed]
        audible = np.flatnonzero(heard[place] > heard[place].max() - PLAYED_DB)
        found.append(
            MaximumLevel(
                name,
                tuple(float(centres[row]) for row in audible),
                tuple(float(np.round(levels[row], 2)) for row in audible),
                tuple(allowed[row][1] for row in audible),
                unity_pa is not None,
                _uncertainty_db(prediction, place, seat, edges[audible]),
            )
        )
    return tuple(found)


def _uncertainty_db(prediction: Prediction, channel: int, seat: int, edges_hz: Array) -> float:
    """Median uncertainty of a channel's level at a seat within the played bands."""
    hz = prediction.response.frequencies_hz
    inside = (hz >= edges_hz.min()) & (hz <= edges_hz.max())
    return float(np.round(np.median(prediction.uncertainty_db[channel, seat][inside]), 3))


def _allowed(
    tuning: Tuning,
    limits: dict[str, DriverLimit],
    electrical_db: Array,
    played: list[int],
    near: NDArray[np.intp],
) -> tuple[float, str]:
    """Highest level of the channel (at most 0 dBFS) within a third, and what sets it."""
    level, cause = 0.0, PROGRAMME
    for place in played:
        name = tuning.outputs[place].name
        room = limits[name].level_dbfs[near] - electrical_db[place, near]
        least = int(np.argmin(room))
        if room[least] < level - 1e-9:
            level, cause = float(room[least]), f"{name}: {limits[name].causes[near[least]]}"
    return level, cause
