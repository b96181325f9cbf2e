"""The phase that a loudspeaker's crossovers turn without changing its level.

Drivers that add up in phase through a crossover make an all-pass together. It
follows from the crossovers' filters alone, so it is the same at every seat, and
taps before the peak of an FIR filter can undo it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.fir_design import excess_phase_rad
from roomtune.advisor.layout import ordered_outputs
from roomtune.advisor.settings import CROSSOVER_TYPES
from roomtune.processor.filters import filter_response
from roomtune.processor.tuning import Tuning
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import System

Array = NDArray[np.float64]
POINTS_PER_OCTAVE = 24


def phase_grid_hz(tuning: Tuning) -> Array:
    """Frequencies of the phase, far beyond what is heard so that minimum phase is exact."""
    return log_frequencies_hz(2.0, 0.49 * tuning.sample_rate_hz, POINTS_PER_OCTAVE)


def crossover_phase_rad(system: System, tuning: Tuning, channels: Sequence[str]) -> Array:
    """Phase beyond the minimum (k,) of the channels' crossovers, their mean, 0 at the top.

    On `phase_grid_hz`; zero for loudspeakers of one driver.
    """
    grid = phase_grid_hz(tuning)
    speakers = [system.loudspeaker_of(name) for name in channels]
    rows = [ordered_outputs(system, speaker.name) for speaker in speakers if speaker]
    found = [_turned(tuning, [output.name for output in row], grid) for row in rows if len(row) > 1]
    return np.mean(found, axis=0) if found else np.zeros(len(grid))


def _turned(tuning: Tuning, outputs: Sequence[str], grid: Array) -> Array:
    """Of drivers joined one by one with the polarity in which they add up."""
    total = np.zeros(len(grid), dtype=complex)
    for name in outputs:
        part = np.ones(len(grid), dtype=complex)
        for item in tuning.output(name).filters:
            if item.type in CROSSOVER_TYPES:
                part = part * filter_response(item, tuning.sample_rate_hz, grid)
        meeting = int(np.argmax(np.minimum(np.abs(total), np.abs(part))))
        apart = abs(total[meeting] - part[meeting]) > abs(total[meeting] + part[meeting])
        total = total - part if apart else total + part
    return excess_phase_rad(grid, total)


def phase_left_rad(grid_hz: Array, turned: Array, taps: Array, lead: int, rate_hz: float) -> Array:
    """What is left of a turned phase (k,) behind taps whose peak is `lead` after the first."""
    places = np.arange(len(taps)) - lead
    response = np.exp(-2j * np.pi * grid_hz[:, None] * places / rate_hz) @ taps
    return np.asarray(turned + excess_phase_rad(grid_hz, response))


def phase_distance_deg(grid_hz: Array, phase: Array, low_hz: float, high_hz: float) -> float:
    """Rms of a phase in degrees between two frequencies, whole turns not counted."""
    inside = (grid_hz >= low_hz) & (grid_hz <= high_hz)
    rest = np.angle(np.exp(1j * phase[inside]))
    return float(np.degrees(np.sqrt(np.mean(rest**2)))) if inside.any() else 0.0
