"""How each seat fares: every measure at every seat, before and after a tuning.

All levels are third-octave levels (IEC 61260-1) of the steady state. A change
of a tuning may serve the whole and still cost one seat something; what is lost
there is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.prediction import Prediction
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.scores import (
    DEEPEST_DB,
    DEVIATION_BAND_HZ,
    LEVEL_BAND_HZ,
    MATCH_BAND_HZ,
    channel_pairs,
    main_channels,
)
from roomtune.advisor.target import target_db
from roomtune.signal.bands import band_levels_db, third_octave_centres_hz
from roomtune.system.model import System

WORSE_DB = 0.5
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Measure:
    """One figure at one seat, dB; smaller is better.

    `kind`: "target" (rms distance from the target, one level fitted, 40 Hz to
    16 kHz), "pair" (rms difference of left and right, 100 Hz to 8 kHz) or
    "levels" (loudest minus quietest main channel, 500 Hz to 2 kHz).
    """

    seat: str
    kind: str
    subject: str
    value_db: float


@dataclass(frozen=True)
class Worsening:
    """A measure that a tuning makes worse."""

    measure: Measure
    before_db: float

    @property
    def change_db(self) -> float:
        """By how much it is worse."""
        return self.measure.value_db - self.before_db

    def __str__(self) -> str:
        what = {
            "target": f"{self.measure.subject} off the target",
            "pair": f"{self.measure.subject} apart",
            "levels": "channel levels apart",
        }[self.measure.kind]
        return f"{what} from {self.before_db:.1f} to {self.measure.value_db:.1f} dB"


def seat_measures(system: System, prediction: Prediction) -> tuple[Measure, ...]:
    """Every measure of the main channels at every seat, always in the same order."""
    names = [n for n in prediction.channels if n in main_channels(system)]
    rows = [prediction.channels.index(name) for name in names]
    centres = third_octave_centres_hz(*DEVIATION_BAND_HZ)
    levels = band_levels_db(prediction.response[rows], centres)
    seats = prediction.seats
    found = [
        Measure(seat, "target", name, float(value))
        for name, row in zip(names, target_deviations_db(system, levels, centres), strict=True)
        for seat, value in zip(seats, row, strict=True)
    ]
    inside = (centres > MATCH_BAND_HZ[0] / 1.1) & (centres < MATCH_BAND_HZ[1] * 1.1)
    for left, right in channel_pairs(system):
        if {left, right} <= set(names):
            apart = (levels[names.index(left)] - levels[names.index(right)])[:, inside]
            value = np.sqrt(np.mean(apart**2, axis=-1))
            found += _each(seats, "pair", f"{left} and {right}", value)
    if len(names) > 1:
        found += _each(seats, "levels", "all", level_spreads_db(levels, centres))
    return tuple(found)


def target_deviations_db(system: System, levels_db: Array, centres_hz: Array) -> Array:
    """Distance from the target (channels, seats), rms over thirds after one level."""
    error = levels_db - target_db(system, centres_hz)
    error = np.maximum(error, error.max(axis=-1, keepdims=True) - DEEPEST_DB)
    error = error - error.mean(axis=-1, keepdims=True)
    return np.asarray(np.sqrt(np.mean(error**2, axis=-1)))


def level_spreads_db(levels_db: Array, centres_hz: Array) -> Array:
    """Loudest minus quietest channel at each seat, (seats,)."""
    inside = (centres_hz > LEVEL_BAND_HZ[0] / 1.1) & (centres_hz < LEVEL_BAND_HZ[1] * 1.1)
    level = 10 * np.log10(np.mean(10 ** (levels_db[..., inside] / 10), axis=-1))
    return np.asarray(np.ptp(level, axis=0))


def _each(seats: Sequence[str], kind: str, subject: str, values: Array) -> list[Measure]:
    return [Measure(seat, kind, subject, float(v)) for seat, v in zip(seats, values, strict=True)]


def worsened(
    before: Sequence[Measure], after: Sequence[Measure], limit_db: float = WORSE_DB
) -> tuple[Worsening, ...]:
    """What became worse by more than the limit, the worst first."""
    pairs = [Worsening(now, then.value_db) for then, now in zip(before, after, strict=True)]
    found = [item for item in pairs if item.change_db > limit_db]
    return tuple(sorted(found, key=lambda item: -item.change_db))


def cost_proposals(system: System, before: Prediction, after: Prediction) -> list[Proposal]:
    """What each seat pays for what the others gain, where it pays more than half a dB."""
    told = 0.8 * WORSE_DB
    found = worsened(seat_measures(system, before), seat_measures(system, after), told)
    proposals = []
    for seat in after.seats:
        here = [item for item in found if item.measure.seat == seat]
        if here:
            proposals.append(
                Proposal(
                    step="what it costs",
                    subject=seat,
                    change="worse there: " + "; ".join(map(str, here)),
                    evidence="prediction at this seat before and after",
                    effect="the price of what the main seat and the weighted average of the "
                    "seats gain",
                    effect_db=round(-here[0].change_db, 2),
                )
            )
    return proposals
