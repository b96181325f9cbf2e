"""The values of a verification: tolerance, a row per channel and seat, diagnosis, result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.session.part_checks import PartCheck


@dataclass(frozen=True)
class Tolerance:
    """What passes. Each bound is widened by twice the uncertainty.

    `band_db`: any third-octave band; `rms_db`: all bands of a channel at a
    seat; `level_db`: their mean; `arrival_ms`: relative to the other channels
    (at least `arrival_periods` of the middle of the channel's band). With
    `operational` the bands of main channels are held against the limits of the
    operational room response instead of the prediction (see `session.operational`).
    """

    band_db: float = 2.0
    rms_db: float = 0.8
    level_db: float = 0.5
    arrival_ms: float = 0.1
    arrival_periods: float = 0.05
    low_hz: float = 40.0
    high_hz: float = 16000.0
    operational: bool = False


@dataclass(frozen=True, eq=False)
class VerificationRow:
    """One channel at one seat: measured against predicted.

    Arrays run over the third-octave bands of the verification; `judged` says
    which of them the channel plays loud and surely enough to be judged.
    Differences are measured minus predicted. `likeness`: the correlation of the two
    responses, 0 to 1.
    """

    channel: str
    seat: str
    measured_db: NDArray[np.float64]
    predicted_db: NDArray[np.float64]
    uncertainty_db: NDArray[np.float64]
    judged: NDArray[np.bool_]
    level_db: float
    arrival_ms: float
    polarity: int
    likeness: float
    parts: tuple[PartCheck, ...] = ()
    faults: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        arrays = (self.measured_db, self.predicted_db, self.uncertainty_db, self.judged)
        if len({np.shape(array) for array in arrays}) > 1:
            raise ValueError(f"the bands of {self.channel} at {self.seat} do not fit one another")
        if np.asarray(self.judged).dtype != bool:
            raise ValueError(f"judged must be true or false, got {self.judged!r:.40}")

    @property
    def difference_db(self) -> NDArray[np.float64]:
        """Measured minus predicted per band."""
        return np.asarray(self.measured_db) - np.asarray(self.predicted_db)

    @property
    def rms_db(self) -> float:
        """Root mean square of the difference over the judged bands."""
        return _rms(self.difference_db[self.judged])

    @property
    def passed(self) -> bool:
        """Whether nothing was found wrong."""
        return not self.faults


@dataclass(frozen=True)
class Diagnosis:
    """What would explain a failure: a sentence, and the share of the misfit `explained` by it.

    `kind` is a stable key ("gain", "polarity", "delay", "exchanged outputs" ...).
    """

    kind: str
    subject: str
    text: str
    explained: float = 0.0


@dataclass(frozen=True, eq=False)
class Verification:
    """The result: a row per channel and seat, passed or not, and why not.

    `offset_ms`: the time offset taken out per seat. `common_level_db`: a level
    difference common to all channels, already taken out of the rows.
    `missing`: channels at seats that were not measured. `through`: the file of the
    tuning that the amplifier ran, where that is known.
    """

    centres_hz: NDArray[np.float64]
    rows: tuple[VerificationRow, ...]
    offset_ms: dict[str, float]
    common_level_db: float = 0.0
    tolerance: Tolerance = Tolerance()
    diagnosis: tuple[Diagnosis, ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    through: str = ""

    def __post_init__(self) -> None:
        if not self.rows:
            raise ValueError("a verification without rows says nothing, not that all passed")

    @property
    def passed(self) -> bool:
        """Whether every channel at every seat passed."""
        return all(row.passed for row in self.rows)

    @property
    def rms_db(self) -> float:
        """Root mean square of measured minus predicted over all judged bands."""
        return _rms(np.concatenate([row.difference_db[row.judged] for row in self.rows]))

    @property
    def summary(self) -> str:
        """The result in one or two sentences."""
        count = len(self.rows)
        if self.passed:
            return (
                f"Passed: {count} measurements agree with the prediction within "
                f"{self.rms_db:.2f} dB rms per third-octave band.{self._not_measured()}"
            )
        failed = [row for row in self.rows if not row.passed]
        reasons = "".join(f" {d.text}" for d in self.diagnosis)
        return (
            f"Failed: {len(failed)} of {count} measurements differ from the prediction."
            f"{reasons}{self._not_measured()}"
        )

    def _not_measured(self) -> str:
        return f" Not measured: {', '.join(self.missing)}." if self.missing else ""

    def __str__(self) -> str:
        return self.summary


def _rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else 0.0
