"""Holding what is measured through the tuned amplifier against the prediction.

Every programme channel at every seat is compared in third-octave bands (IEC
61260-1), in level, arrival and polarity. Prediction and verification may have
different time references: one common time offset per seat is taken out. If all
channels differ by one level, that is the microphone's gain or the master
volume, and is told, not counted against the tuning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.prediction import Prediction
from roomtune.capture.take import Take
from roomtune.errors import MeasurementError
from roomtune.session.likeness import likeness
from roomtune.session.part_checks import PartCheck, PartChecker
from roomtune.signal.bands import (
    band_edges_hz,
    band_levels_db,
    band_name,
    mean_over_bands,
    third_octave_centres_hz,
)
from roomtune.signal.values import FrequencyResponse
from roomtune.system.model import System

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.analysis.microphone import MicrophoneCorrection
    from roomtune.processor.tuning import Tuning

HEARD_BELOW_LOUDEST_DB = 22.0
LEVEL_BAND_HZ = (200.0, 4000.0)
TOO_UNCERTAIN_DB = 3.0
LEAST_LIKENESS = 0.2


@dataclass(frozen=True)
class Tolerance:
    """What passes. Each bound is widened by twice the uncertainty.

    `band_db`: any third-octave band; `rms_db`: all bands of a channel at a
    seat; `level_db`: their mean; `arrival_ms`: relative to the other channels
    (at least `arrival_periods` of the middle of the channel's band).
    """

    band_db: float = 2.0
    rms_db: float = 0.8
    level_db: float = 0.5
    arrival_ms: float = 0.1
    arrival_periods: float = 0.05
    low_hz: float = 40.0
    high_hz: float = 16000.0


@dataclass(frozen=True, eq=False)
class VerificationRow:
    """One channel at one seat: measured against predicted.

    Arrays run over the third-octave bands of the verification; `judged` says
    which of them the channel plays loud and surely enough to be judged.
    Differences are measured minus predicted.
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
    """What would explain a failure: a sentence, and the share of the misfit it explains.

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
    `missing`: channels at seats that were not measured.
    """

    centres_hz: NDArray[np.float64]
    rows: tuple[VerificationRow, ...]
    offset_ms: dict[str, float]
    common_level_db: float = 0.0
    tolerance: Tolerance = Tolerance()
    diagnosis: tuple[Diagnosis, ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

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
                f"{self.rms_db:.2f} dB rms per third-octave band."
            )
        failed = [row for row in self.rows if not row.passed]
        reasons = " ".join(d.text for d in self.diagnosis)
        return (
            f"Failed: {len(failed)} of {count} measurements differ from the prediction. {reasons}"
        )

    def __str__(self) -> str:
        return self.summary


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
    responses = {key: _response(take, correction, prediction) for key, take in chosen.items()}
    offsets = _offsets(system, prediction, responses, centres)
    checker = PartChecker(tuning, measured) if tuning and measured else None
    rows = [
        _row(prediction, take, responses[key], centres, offsets[key[1]], checker)
        for key, take in chosen.items()
    ]
    common = _common_level_db(rows, bounds)
    judged = [_judge(_without_level(row, common), centres, bounds) for row in rows]
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
    from roomtune.session.diagnosis import diagnose

    return replace(
        result, diagnosis=diagnose(system, result, prediction, responses, tuning, measured)
    )


Key = tuple[str, str]


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


def _response(
    take: Take, correction: MicrophoneCorrection | None, prediction: Prediction
) -> NDArray[np.complex128]:
    """The take's corrected response on the prediction's grid, (k,)."""
    response = take.impulse_response
    if correction is not None:
        from roomtune.analysis.microphone import correct_impulse_response

        response = correct_impulse_response(response, correction)
    frequencies = prediction.response.frequencies_hz
    inside = frequencies <= response.sample_rate_hz / 2
    values = np.zeros(len(frequencies), dtype=complex)
    values[inside] = response.response_at(frequencies[inside]).values.reshape(-1)
    return values


def predicted_response(prediction: Prediction, channel: str, seat: str) -> NDArray[np.complex128]:
    """The predicted response (k,) of a channel at a seat."""
    place = prediction.channels.index(channel), prediction.seats.index(seat)
    return np.asarray(prediction.response.values[place], dtype=complex)


def heard_weight(
    response: NDArray[np.complex128], frequencies_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """1 where a response is within 22 dB of its loudest third-octave band, else 0, (k,)."""
    centres = third_octave_centres_hz(20.0, min(20e3, 0.89 * frequencies_hz[-1]))
    levels = band_levels_db(FrequencyResponse(frequencies_hz[1:], response[1:]), centres)
    heard = centres[levels > np.nanmax(levels) - HEARD_BELOW_LOUDEST_DB]
    edges = band_edges_hz(heard)
    inside = (frequencies_hz[:, None] >= edges[:, 0]) & (frequencies_hz[:, None] < edges[:, 1])
    return inside.any(axis=1).astype(float)


def _offsets(
    system: System,
    prediction: Prediction,
    responses: dict[Key, NDArray[np.complex128]],
    centres: NDArray[np.float64],
) -> dict[str, float]:
    """Per seat, how much later everything arrives than predicted (median), in seconds."""
    frequencies = prediction.response.frequencies_hz
    seats = dict.fromkeys(seat for _, seat in responses)
    offsets = {}
    for seat in seats:
        keys = [k for k in responses if k[1] == seat]
        mains = [k for k in keys if system.channel(k[0]).kind == "main"] or keys
        delays = []
        for key in mains:
            predicted = predicted_response(prediction, *key)
            weight = heard_weight(predicted, frequencies)
            delays.append(likeness(predicted, responses[key], frequencies, weight).delay_s)
        offsets[seat] = float(_middle(np.array(delays)))
    return offsets


def _middle(values: NDArray[np.float64]) -> float:
    """The middle value; of an even count, the one of the two with closer company."""
    order = np.sort(values)
    half = len(order) // 2
    if len(order) % 2:
        return float(order[half])
    pair = order[half - 1 : half + 1]
    company = [
        np.sum(np.abs(order - value)) + np.min(np.abs(np.delete(order, i) - value))
        for i, value in zip((half - 1, half), pair, strict=True)
    ]
    return float(pair[int(np.argmin(company))])


def _row(
    prediction: Prediction,
    take: Take,
    response: NDArray[np.complex128],
    centres: NDArray[np.float64],
    offset_s: float,
    checker: PartChecker | None,
) -> VerificationRow:
    frequencies = prediction.response.frequencies_hz
    predicted = predicted_response(prediction, take.source, take.seat)
    levels = [
        band_levels_db(FrequencyResponse(frequencies[1:], values[1:]), centres)
        for values in (response, predicted)
    ]
    uncertainty = _band_uncertainty_db(prediction, take, centres, levels[0])
    judged = _judged(take, centres, levels[1], uncertainty)
    weight = heard_weight(predicted, frequencies)
    found = likeness(predicted, response, frequencies, weight)
    parts: tuple[PartCheck, ...] = ()
    if checker is not None and checker.fits(frequencies):
        turned = response * np.exp(2j * np.pi * frequencies * offset_s)
        parts = checker.check(take.source, take.seat, turned)
    return VerificationRow(
        channel=take.source,
        seat=take.seat,
        measured_db=levels[0],
        predicted_db=levels[1],
        uncertainty_db=uncertainty,
        judged=judged,
        level_db=_level_db(levels[0] - levels[1], centres, judged),
        arrival_ms=1000 * (found.delay_s - offset_s),
        polarity=found.polarity if found.likeness > LEAST_LIKENESS else 0,
        likeness=found.likeness,
        parts=parts,
    )


def _judged(
    take: Take,
    centres: NDArray[np.float64],
    predicted_db: NDArray[np.float64],
    uncertainty_db: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Bands that were excited whole, are heard from this channel, and are sure enough."""
    edges = band_edges_hz(centres)
    low, high = take.stimulus.start_hz, take.stimulus.stop_hz
    excited = (edges[:, 0] >= low * 0.999) & (edges[:, 1] <= high * 1.001)
    heard = predicted_db > np.nanmax(predicted_db) - HEARD_BELOW_LOUDEST_DB
    return excited & heard & (uncertainty_db < TOO_UNCERTAIN_DB)


def _band_uncertainty_db(
    prediction: Prediction,
    take: Take,
    centres: NDArray[np.float64],
    measured_db: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Standard deviation of measured minus predicted per band, from both noises."""
    frequencies = prediction.response.frequencies_hz[1:]
    place = prediction.channels.index(take.source), prediction.seats.index(take.seat)
    power = np.abs(prediction.response.values[place][1:]) ** 2
    sure = np.nan_to_num(prediction.uncertainty_db[place][1:], posinf=0.0)
    edges = band_edges_hz(centres)
    total = mean_over_bands(frequencies, power, edges)
    of_prediction = mean_over_bands(frequencies, power * sure, edges) / np.maximum(total, 1e-300)
    noise = take_deviation(take, centres)
    ratio = noise / np.maximum(10 ** (measured_db / 20), 1e-300)
    return np.asarray(np.hypot(of_prediction, 20 / np.log(10) * ratio / np.sqrt(2)), dtype=float)


def take_deviation(take: Take, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard deviation of the complex response that the take's noise explains, (k,).

    Noise density S through the deconvolution |X|^2 = A^2 L / (4 f) of the sweep
    (Novak et al. 2015, Eq. 42) and the response's window T: variance T S / |X|^2.
    """
    amplitude_squared = 10 ** (take.level_dbfs / 10)
    energy = amplitude_squared * take.stimulus.rate_s / (4 * frequencies_hz)
    density = take.noise.at(frequencies_hz)
    return np.asarray(np.sqrt(take.impulse_response.duration_s * density / energy), dtype=float)


def _level_db(
    difference_db: NDArray[np.float64], centres: NDArray[np.float64], judged: NDArray[np.bool_]
) -> float:
    """Mean difference from 200 Hz to 4 kHz, or in all judged bands where none lies there."""
    middle = judged & (centres > LEVEL_BAND_HZ[0]) & (centres < LEVEL_BAND_HZ[1])
    chosen = middle if middle.any() else judged
    return float(np.mean(difference_db[chosen])) if chosen.any() else float("nan")


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
    row: VerificationRow, centres: NDArray[np.float64], bounds: Tolerance
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
    difference = np.where(row.judged, row.difference_db, 0.0)
    excess = np.abs(difference) - bounds.band_db - 2 * row.uncertainty_db
    if excess.max() > 0:
        worst = int(np.argmax(excess))
        sign = _more(difference[worst], "dB", "too loud", "too quiet")
        faults.append(f"the band at {band_name(centres[worst])} is {sign}")
    faults += _part_faults(row)
    if row.rms_db > bounds.rms_db + 2 * typical:
        faults.append(f"the response differs by {row.rms_db:.1f} dB rms per third-octave band")
    return replace(row, faults=tuple(faults))


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


def _rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else 0.0
