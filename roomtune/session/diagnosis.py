"""Naming the mistake behind a failed verification.

Each possible mistake (a gain, a polarity, a delay, a filter, an exchange, the
sample rate) is tried on the prediction. The one that explains the measurement
best is named, unless a simpler one explains it almost as well; what is left
is looked at again for a second one.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.prediction import Prediction
from roomtune.processor.response import tuning_response
from roomtune.session.channel_check import heard_weight, predicted_response
from roomtune.session.misfit import Evidence, variance_weight
from roomtune.session.mistakes import Mistake, mistakes
from roomtune.session.verdicts import Diagnosis, Verification
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import System

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.processor.tuning import Tuning

POINTS_PER_OCTAVE = 24
LOW_HZ, HIGH_HZ = 22.0, 18000.0
WORTH_NAMING = 0.5
SIMPLER_IF_WITHIN = 1.25
MOST_MISTAKES = 3
FINALISTS = 24
ENOUGH = 0.1


def diagnose(
    system: System,
    verification: Verification,
    prediction: Prediction,
    responses: dict[tuple[str, str], NDArray[np.complex128]],
    tuning: Tuning | None,
    measured: Measured | None,
) -> tuple[Diagnosis, ...]:
    """Explain a failed verification, most telling mistake first."""
    if tuning is None or measured is None:
        return _from_rows(verification)
    evidence = gather(verification, prediction, responses, tuning, measured)
    found: list[Diagnosis] = []
    start = evidence.total(evidence.parts)
    while len(found) < MOST_MISTAKES:
        before = evidence.total(evidence.parts)
        named, evidence = _best(evidence, tuning)
        after = _total(evidence, named)
        if before - after < WORTH_NAMING * before or before < 0.02 * start:
            break
        found.append(Diagnosis(named.kind, named.subject, named.text, 1 - after / before))
        evidence = _aligned(evidence, named).with_parts(named.parts).only(named.known)
    return tuple(found) or _from_rows(verification)


def gather(
    verification: Verification,
    prediction: Prediction,
    responses: dict[tuple[str, str], NDArray[np.complex128]],
    tuning: Tuning,
    measured: Measured,
) -> Evidence:
    """Everything on a coarse log grid of the prediction's own bins, times taken out."""
    grid = prediction.response.frequencies_hz
    wanted = log_frequencies_hz(LOW_HZ, min(HIGH_HZ, 0.9 * grid[-1]), POINTS_PER_OCTAVE)
    bins = np.unique(np.round(wanted / (grid[1] - grid[0])).astype(int))
    frequencies = grid[bins]
    seats = list(dict.fromkeys(seat for _, seat in responses))
    shape = (len(prediction.channels), len(seats), len(bins))
    found, heard = np.zeros(shape, dtype=complex), np.zeros(shape)
    gain = 10 ** (-verification.common_level_db / 20)
    for (channel, seat), values in responses.items():
        place = prediction.channels.index(channel), seats.index(seat)
        found[place] = values[bins] * gain
        both = heard_weight(predicted_response(prediction, channel, seat), grid)
        both = np.maximum(both, heard_weight(values, grid))
        heard[place] = both[bins]
    electrical = tuning_response(tuning, frequencies)
    acoustical = _acoustical(measured, tuning, seats, frequencies, grid, bins)
    parts = electrical[:, :, None, :] * acoustical
    offsets = np.array([verification.offset_ms[seat] / 1000 for seat in seats])
    weight = variance_weight(frequencies, found, parts.sum(axis=1), heard)
    outputs = [measured.outputs.index(output.name) for output in tuning.outputs]
    coverage = measured.band_weight(frequencies)[outputs]
    evidence = Evidence(frequencies, found, parts, weight, electrical, acoustical, coverage)
    return evidence.later_by(offsets)


def _acoustical(
    measured: Measured,
    tuning: Tuning,
    seats: list[str],
    frequencies: NDArray[np.float64],
    grid: NDArray[np.float64],
    bins: NDArray[np.int_],
) -> NDArray[np.complex128]:
    """Measured responses (outputs of the tuning, seats, k)."""
    spectrum = measured.spectrum
    if spectrum.frequencies_hz.shape == grid.shape and np.allclose(spectrum.frequencies_hz, grid):
        values = spectrum.values[..., bins]
    else:
        values = measured.at(frequencies).values
    order = [measured.outputs.index(output.name) for output in tuning.outputs]
    return values[np.ix_(order, [measured.seats.index(seat) for seat in seats])]


def _best(evidence: Evidence, tuning: Tuning) -> tuple[Mistake, Evidence]:
    """The mistake to name, and the evidence with the time offset that suits it."""
    best: tuple[float, Mistake, Evidence] | None = None
    for shifted in _alignments(evidence):
        chosen = _simplest(shifted, list(mistakes(shifted, tuning)))
        total = _total(shifted, chosen)
        if total < ENOUGH * evidence.total(evidence.parts):
            return chosen, shifted
        if best is None or total < best[0] * (0.999 if chosen.freedom <= best[1].freedom else 0.8):
            best = total, chosen, shifted
    assert best is not None
    return best[1], best[2]


def _aligned(evidence: Evidence, mistake: Mistake) -> Evidence:
    return evidence if mistake.later_s is None else evidence.later_by(mistake.later_s)


def _total(evidence: Evidence, mistake: Mistake) -> float:
    """Misfit of responses and band levels together, if that were the mistake."""
    return _aligned(evidence, mistake).total(mistake.parts, mistake.known)


def _alignments(evidence: Evidence) -> Iterator[Evidence]:
    """The evidence as aligned, and as aligned to each single channel instead."""
    yield evidence
    seats = evidence.measured.shape[1]
    known = [np.zeros(seats)]
    for channel in range(evidence.measured.shape[0]):
        delays = np.array([_delay_s(evidence, channel, seat) for seat in range(seats)])
        if all(np.max(np.abs(delays - other)) > 60e-6 for other in known):
            known.append(delays)
            yield evidence.later_by(delays)


def _delay_s(evidence: Evidence, channel: int, seat: int) -> float:
    """How much later a channel arrives than its parts say, from the coarse grid."""
    times = np.arange(-15e-3, 15e-3, 20e-6)
    first, second = evidence.predicted[channel, seat], evidence.measured[channel, seat]
    cross = second * np.conj(first) * evidence.weight[channel, seat]
    turns = np.exp(2j * np.pi * times[:, None] * evidence.frequencies_hz)
    return float(times[np.argmax(np.abs((turns @ cross).real))])


def _simplest(evidence: Evidence, candidates: list[Mistake]) -> Mistake:
    """The mistake with the least misfit, or a simpler one that fits almost as well."""
    whole = [m for m in candidates if m.later_s is not None]
    single = sorted((m for m in candidates if m.later_s is None), key=lambda m: m.misfit)
    finalists = [*whole, *single[:FINALISTS]]
    totals = [_total(evidence, m) for m in finalists]
    bound = SIMPLER_IF_WITHIN * min(totals) + 0.01 * evidence.total(evidence.parts)
    good = [
        (mistake.freedom, total, place)
        for place, (mistake, total) in enumerate(zip(finalists, totals, strict=True))
        if total <= bound
    ]
    return finalists[min(good)[2]]


def _from_rows(verification: Verification) -> tuple[Diagnosis, ...]:
    """What can be said from the channels alone."""
    found = []
    for row in verification.rows:
        if row.faults:
            subject = f"channel {row.channel} at {row.seat}"
            found.append(Diagnosis("unexplained", subject, f"{subject}: {'; '.join(row.faults)}."))
    return tuple(found)
