"""What a view looks at: chosen outputs at chosen seats, and how to look."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.analysis.arrival import Arrival
from roomtune.analysis.direct_sound import direct_sounds
from roomtune.analysis.levels import REFERENCE_PRESSURE_PA, in_pascal
from roomtune.analysis.microphone import MicrophoneCorrection
from roomtune.analysis.polarity import Polarity
from roomtune.capture.take import Take
from roomtune.signal.smoothing import Fraction
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System

PEAK_SINE_DB = 10 * np.log10(2)


@dataclass(frozen=True)
class Choices:
    """How to look.

    smoothing: fraction of an octave, "ear" or None for none; window_cycles or
    window_s: what of the response counts after its arrival, all of it when both
    are None; until_ms: how much time is shown; thirds: third-octave bands
    instead of octaves.
    """

    smoothing: Fraction | None = 12.0
    window_cycles: float | None = None
    window_s: float | None = None
    until_ms: float | None = None
    thirds: bool = False


@dataclass(frozen=True, eq=False)
class Subject:
    """Outputs at seats, as measured, with the takes behind them by (output, seat).

    correction: the microphone's, already in `measured` but not in the takes;
    near: the same outputs with the microphone at the cone, one seat.
    """

    system: System
    measured: Measured
    takes: Mapping[tuple[str, str], Take] = field(default_factory=dict)
    choices: Choices = Choices()
    correction: MicrophoneCorrection | None = None
    near: Measured | None = None

    @property
    def outputs(self) -> tuple[str, ...]:
        """The outputs that are looked at."""
        return self.measured.outputs

    @property
    def seats(self) -> tuple[str, ...]:
        """The seats that are looked at."""
        return self.measured.seats

    @property
    def calibrated(self) -> bool:
        """Whether levels are sound pressure."""
        return self.measured.responses.unit == "Pa"

    @property
    def level_unit(self) -> str:
        """What levels are in: of a full-scale sine where the microphone is calibrated."""
        return "dB SPL" if self.calibrated else "dB re full scale"

    @property
    def offset_db(self) -> float:
        """What is added to 20 lg |H| to give a level in `level_unit`.

        With responses in Pa per full scale: the level of a full-scale sine re 20 uPa.
        """
        if not self.calibrated:
            return 0.0
        return float(-20 * np.log10(REFERENCE_PRESSURE_PA) - PEAK_SINE_DB)

    @property
    def weights(self) -> list[float]:
        """The seats' weights; equal ones where none of them counts."""
        weights = [self.system.seat(name).weight for name in self.seats]
        return weights if sum(weights) > 0 else [1.0] * len(weights)

    @cached_property
    def first_sound(self) -> tuple[Arrival, Polarity]:
        """Arrival and polarity of every output at every seat, fields (outputs, seats)."""
        responses = self.measured.responses
        rows = range(len(self.outputs))
        found = [direct_sounds(responses[i], self.band_hz(i), finely=True) for i in rows]
        times, spread, sign, sure = (
            np.stack([getattr(item, name) for item in found])
            for name in ("time_s", "uncertainty_s", "sign", "confidence")
        )
        return Arrival(times + responses.start_s, spread), Polarity(sign, sure)

    @cached_property
    def arrivals_s(self) -> NDArray[np.float64]:
        """Arrivals (outputs, seats); the strongest point where none stands out."""
        responses = self.measured.responses
        peaks = responses.times_s[np.argmax(np.abs(responses.samples), axis=-1)]
        times = self.first_sound[0].time_s
        return np.asarray(np.where(np.isfinite(times), times, peaks), dtype=float)

    def band_hz(self, output: int) -> tuple[float, float]:
        """The band in which an output was played."""
        low, high = self.measured.bands_hz[output]
        return float(low), float(high)

    def pairs(self) -> list[tuple[int, int, str]]:
        """Every output at every seat: both places and a name for a line or row."""
        several = len(self.seats) > 1
        return [
            (row, column, f"{output} at {seat}" if several else output)
            for row, output in enumerate(self.outputs)
            for column, seat in enumerate(self.seats)
        ]


def as_pressure(measured: Measured, sensitivity_dbfs_at_94_db: float | None) -> Measured:
    """The same in Pa per digital full scale, where the microphone's sensitivity is known."""
    if sensitivity_dbfs_at_94_db is None or measured.responses.unit == "Pa":
        return measured
    scaled: ImpulseResponse = in_pascal(measured.responses, sensitivity_dbfs_at_94_db)
    scale = 10 ** (-sensitivity_dbfs_at_94_db / 20)
    return replace(measured, responses=scaled, deviation=measured.deviation * scale)


def noise_scale(subject: Subject, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the density of a take's noise is multiplied with, (k,).

    It takes the microphone's own response out and, where the subject is
    calibrated, turns recorded units into Pa.
    """
    scale = np.ones(len(frequencies_hz))
    sensitivity = subject.system.microphone.sensitivity_dbfs_at_94_db
    if subject.calibrated and sensitivity is not None:
        scale *= 10 ** (-sensitivity / 10)
    if subject.correction is not None:
        scale /= np.abs(subject.correction.at(frequencies_hz)) ** 2
    return scale
