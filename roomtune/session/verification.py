"""Holding what is measured through the tuned amplifier against the prediction.

Every programme channel at every seat is compared in third-octave bands (IEC
61260-1), in level, arrival and polarity. Prediction and verification may have
different time references: one common time offset per seat is taken out. If all
channels differ by one level, that is the microphone's gain or the master
volume, and is told, not counted against the tuning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.prediction import Prediction
from roomtune.capture.take import Take
from roomtune.errors import MeasurementError
from roomtune.session.channel_check import Key, check_channel, measured_response, time_offsets_s
from roomtune.session.operational import operational_faults
from roomtune.session.part_checks import PartChecker
from roomtune.session.verdicts import Diagnosis, Tolerance, Verification, VerificationRow
from roomtune.signal.bands import band_name, third_octave_centres_hz
from roomtune.system.model import System

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.analysis.microphone import MicrophoneCorrection
    from roomtune.processor.tuning import Tuning

AS_PREDICTED = (
    "It plays as predicted: no setting is mistyped. The room, the loudspeakers or the chosen "
    "target keep it outside the limits."
)
__all__ = ["Diagnosis", "Tolerance", "Verification", "VerificationRow", "verify"]


def verify(
    system: System,
    prediction: Prediction,
    takes: Sequence[Take],
    correction: MicrophoneCorrection | None = None,
    *,
    tuning: Tuning | None = None,
    measured: Measured | None = None,
    tolerance: Tolerance | None = None,
) -> Verification:
    """Compare channel takes with the prediction, which must be on its whole FFT grid.

    With `tuning` and `measured` (what the prediction was made from) a failure
    is also traced to a mistake in single outputs or filters. Raises
    MeasurementError when there is no usable channel take.
    """
    bounds = tolerance or Tolerance()
    chosen = _usable(prediction, takes)
    centres = third_octave_centres_hz(bounds.low_hz, bounds.high_hz)
    responses = {
        key: measured_response(take, correction, prediction) for key, take in chosen.items()
    }
    offsets = time_offsets_s(system, prediction, responses)
    checker = PartChecker(tuning, measured) if tuning and measured else None
    rows = [
        check_channel(prediction, take, responses[key], centres, offsets[key[1]], checker)
        for key, take in chosen.items()
    ]
    common = _common_level_db(rows, bounds)
    level = [_without_level(row, common) for row in rows]
    mains = [system.channel(row.channel).kind == "main" for row in level]
    judged = [_judge(row, centres, bounds, main) for row, main in zip(level, mains, strict=True)]
    as_predicted = all(_judge(row, centres, bounds, False).passed for row in level)
    result = Verification(
        centres,
        tuple(judged),
        {seat: 1000 * offset for seat, offset in offsets.items()},
        common,
        bounds,
        missing=_missing(prediction, chosen),
        notes=_notes(common),
    )
    if result.passed:
        return result
    if as_predicted:
        return replace(result, notes=(*result.notes, AS_PREDICTED))
    from roomtune.session.diagnosis import diagnose

    return replace(
        result, diagnosis=diagnose(system, result, prediction, responses, tuning, measured)
    )


def _usable(prediction: Prediction, takes: Sequence[Take]) -> dict[Key, Take]:
    """The last trusted take of every channel at every seat, in the prediction's order."""
    trusted = {
        (t.source, t.seat): t for t in takes if t.kind == "channel" and t.verdict.grade != "repeat"
    }
    keys = [(c, s) for s in prediction.seats for c in prediction.channels if (c, s) in trusted]
    if not keys:
        raise MeasurementError(
            "there is no usable take of a programme channel to hold against the prediction: "
            "load the tuning into the amplifier and run `roomtune verify`"
        )
    return {key: trusted[key] for key in keys}


def _missing(prediction: Prediction, chosen: dict[Key, Take]) -> tuple[str, ...]:
    seats = {seat for _, seat in chosen}
    return tuple(
        f"{channel} at {seat}"
        for seat in prediction.seats
        for channel in prediction.channels
        if seat in seats and (channel, seat) not in chosen
    )


def _common_level_db(rows: Sequence[VerificationRow], bounds: Tolerance) -> float:
    """The level that most rows differ by, when at least three channels tell it; else 0."""
    levels = np.array([row.level_db for row in rows if np.isfinite(row.level_db)])
    if len({row.channel for row in rows}) < 3 or not len(levels):
        return 0.0
    middle = float(np.median(levels))
    agreeing = np.mean(np.abs(levels - middle) <= bounds.level_db)
    return middle if abs(middle) > bounds.level_db / 2 and agreeing > 0.6 else 0.0


def _without_level(row: VerificationRow, common_db: float) -> VerificationRow:
    measured = np.asarray(row.measured_db) - common_db
    return replace(row, measured_db=measured, level_db=row.level_db - common_db)


def _judge(
    row: VerificationRow, centres: NDArray[np.float64], bounds: Tolerance, main: bool
) -> VerificationRow:
    """The row with all that is wrong with it, each in one sentence."""
    if not row.judged.any():
        return replace(row, faults=("nothing of it rises far enough above the noise",))
    faults = []
    typical = float(np.median(row.uncertainty_db[row.judged]))
    if row.polarity < 0:
        faults.append("the polarity is inverted")
    if abs(row.level_db) > bounds.level_db + 2 * typical:
        faults.append(f"the level is {_more(row.level_db, 'dB', 'too high', 'too low')}")
    if abs(row.arrival_ms) > _arrival_bound_ms(row, centres, bounds) and row.polarity:
        faults.append(f"it arrives {_more(row.arrival_ms, 'ms', 'too late', 'too early')}")
    if bounds.operational and main:
        return replace(row, faults=(*faults, *operational_faults(row, centres)))
    faults += _band_faults(row, centres, bounds) + _part_faults(row)
    if row.rms_db > bounds.rms_db + 2 * typical:
        faults.append(f"the response differs by {row.rms_db:.1f} dB rms per third-octave band")
    return replace(row, faults=tuple(faults))


def _band_faults(
    row: VerificationRow, centres: NDArray[np.float64], bounds: Tolerance
) -> list[str]:
    """The band that differs most beyond what is tolerated."""
    difference = np.where(row.judged, row.difference_db, 0.0)
    excess = np.abs(difference) - bounds.band_db - 2 * row.uncertainty_db
    if excess.max() <= 0:
        return []
    worst = int(np.argmax(excess))
    sign = _more(difference[worst], "dB", "too loud", "too quiet")
    return [f"the band at {band_name(centres[worst])} is {sign}"]


def _part_faults(row: VerificationRow) -> list[str]:
    """Outputs that are inverted, late or early inside the channel."""
    faults = []
    for part in row.parts:
        late_ms = part.arrival_ms
        if part.unlike:
            faults.append(f"output {part.output} plays nothing like predicted")
        elif not part.sure:
            continue
        elif part.polarity < 0:
            faults.append(f"output {part.output} plays with inverted polarity")
        elif abs(late_ms) > part.arrival_bound_ms:
            sign = _more(late_ms, "ms", "too late", "too early")
            faults.append(f"output {part.output} plays {sign}")
    return faults


def _arrival_bound_ms(
    row: VerificationRow, centres: NDArray[np.float64], bounds: Tolerance
) -> float:
    middle_hz = float(np.exp(np.mean(np.log(centres[row.judged]))))
    return max(bounds.arrival_ms, 1000 * bounds.arrival_periods / middle_hz)


def _more(value: float, unit: str, above: str, below: str) -> str:
    digits = 2 if unit == "ms" else 1
    return f"{abs(value):.{digits}f} {unit} {above if value > 0 else below}"


def _notes(common_db: float) -> tuple[str, ...]:
    if not common_db:
        return ()
    return (
        f"Everything is {_more(common_db, 'dB', 'louder', 'quieter')} than predicted: the "
        "microphone's gain or the master volume was changed since the outputs were measured. "
        "This is not a fault of the tuning and was taken out.",
    )
