"""One programme channel at one seat: measured against predicted, band by band."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.prediction import Prediction
from roomtune.capture.take import Take
from roomtune.session.likeness import likeness
from roomtune.session.part_checks import PartCheck, PartChecker
from roomtune.session.verdicts import VerificationRow
from roomtune.signal.bands import (
    band_edges_hz,
    band_levels_db,
    mean_over_bands,
    third_octave_centres_hz,
)
from roomtune.signal.values import FrequencyResponse
from roomtune.system.model import System

if TYPE_CHECKING:
    from roomtune.analysis.microphone import MicrophoneCorrection

HEARD_BELOW_LOUDEST_DB = 22.0
LEVEL_BAND_HZ = (200.0, 4000.0)
TOO_UNCERTAIN_DB = 3.0
UNKNOWN_DB = 1e6
LEAST_LIKENESS = 0.2
REPLACED_WITHIN_M = 0.01
REPLACED_DB = 0.5
SOUND_SPEED_M_PER_S = 343.2
Key = tuple[str, str]


def measured_response(
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


def time_offsets_s(
    system: System,
    prediction: Prediction,
    responses: dict[Key, NDArray[np.complex128]],
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


def check_channel(
    prediction: Prediction,
    take: Take,
    response: NDArray[np.complex128],
    centres: NDArray[np.float64],
    offset_s: float,
    checker: PartChecker | None,
) -> VerificationRow:
    """The row of a channel at a seat, before any judgement.

    response (k,): measured, on the prediction's grid; `offset_s` of the seat is taken out.
    """
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
    """Standard deviation of measured minus predicted per band.

    From both noises, and from a microphone that is not put back better than to
    a centimetre: in reverberant sound that changes bands whose wavelength is short by
    half a decibel (found by trial in image-source rooms).
    """
    frequencies = prediction.response.frequencies_hz[1:]
    place = prediction.channels.index(take.source), prediction.seats.index(take.seat)
    power = np.abs(prediction.response.values[place][1:]) ** 2
    sure = np.nan_to_num(prediction.uncertainty_db[place][1:], posinf=0.0)
    edges = band_edges_hz(centres)
    total = mean_over_bands(frequencies, power, edges)
    of_prediction = mean_over_bands(frequencies, power * sure, edges) / np.maximum(total, 1e-300)
    noise = take_deviation(take, centres)
    ratio = noise / np.maximum(10 ** (measured_db / 20), 1e-300)
    of_noise = 20 / np.log(10) * ratio / np.sqrt(2)
    turns = 2 * np.pi * centres * REPLACED_WITHIN_M / SOUND_SPEED_M_PER_S
    of_place = REPLACED_DB * (1 - np.exp(-(turns**2)))
    # Where a channel plays nothing, its power is lost in rounding, sign and all: bounded.
    of_each = np.minimum(np.abs(np.stack([of_prediction, of_noise, of_place])), UNKNOWN_DB)
    return np.asarray(np.sqrt(np.sum(of_each**2, axis=0)), dtype=float)


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
