"""Crossovers between the drivers of a loudspeaker.

Every slope that the processor offers is tried on a grid of frequencies; for
each, the delay and polarity that make the two drivers' direct sounds add up
best are found. A choice is judged by how near the sum is to a perfect joint
through the two octaves about the crossover, how much is lost by phase
differences, and how well both hold at the other seats. What sums nearly as well
as the best is alike in that: a tenth of a dB worse, or by a quarter of what even
the best leaves over, or by what loudspeakers alike differ. Among those, the
middle of the overlap and symmetrical slopes of order 4 are preferred, and what spares
the drivers (see `burdens`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roomtune.advisor.bands import UsableBand
from roomtune.advisor.burdens import NO_BURDEN, Burden, burden
from roomtune.advisor.joints import Joint, Pair, Slope, expects_inversion, joints_for
from roomtune.advisor.layout import slopes
from roomtune.system.model import Output, Processor, System

MIDDLE_COST_DB, UNEVEN_COST_DB, INVERSION_COST_DB = 0.7, 0.15, 0.3
AS_GOOD_DB = 0.1


@dataclass(frozen=True)
class Choice:
    """A slope for a kind of loudspeaker, with the joint in each of them."""

    slope: Slope
    joints: tuple[Joint, ...]
    cost_db: float
    burden: Burden = NO_BURDEN

    @property
    def ripple_db(self) -> float:
        """Distance from a perfect joint, mean over the loudspeakers."""
        return float(np.mean([joint.ripple_db for joint in self.joints]))

    @property
    def loss_db(self) -> float:
        """Level lost to phase, mean over the loudspeakers."""
        return float(np.mean([joint.loss_db for joint in self.joints]))

    @property
    def sum_db(self) -> float:
        """How far the drivers are from adding up perfectly where they arrive together."""
        return float(np.mean([joint.cost_db for joint in self.joints]))

    @property
    def scatter_db(self) -> float:
        """How much loudspeakers alike differ in that: what the room has to say in it."""
        return float(np.std([joint.cost_db for joint in self.joints]))


def overlap_hz(
    lower: Output, upper: Output, usable: tuple[UsableBand, UsableBand] | None = None
) -> tuple[float, float]:
    """Where both drivers may play with some margin, and (if given) play well."""
    low, high = upper.safe_band_hz[0] * 1.3, lower.safe_band_hz[1] / 1.3
    if usable is not None and usable[1].low_hz * 1.2 < usable[0].high_hz / 1.2:
        low, high = max(low, usable[1].low_hz * 1.2), min(high, usable[0].high_hz / 1.2)
    if low >= high:
        middle = float(np.sqrt(upper.safe_band_hz[0] * lower.safe_band_hz[1]))
        return middle, middle
    return low, high


def candidates(
    system: System,
    upper: Output,
    overlap: tuple[float, float],
    pinned_hz: float | None,
    per_octave: int = 6,
) -> tuple[Slope, ...]:
    """Slopes to try: every family and order of the processor on a grid of frequencies."""
    low, high = overlap
    grid = [pinned_hz] if pinned_hz else log_or_single(low, high, per_octave)
    found = []
    for frequency in grid:
        for family, order in slopes(system.processor):
            for other in system.processor.crossovers[family]:
                if abs(other - order) <= 2 and _protects(frequency, other, upper):
                    found.append(Slope(float(np.round(frequency, 1)), family, order, other))
    return tuple(found)


def log_or_single(low_hz: float, high_hz: float, per_octave: int = 6) -> list[float]:
    """So many frequencies per octave between limits, or the one when they are equal."""
    if low_hz == high_hz:
        return [low_hz]
    count = max(int(np.ceil(per_octave * np.log2(high_hz / low_hz))), 1) + 1
    return [float(f) for f in np.geomspace(low_hz, high_hz, count)]


def _protects(frequency_hz: float, order: int, upper: Output) -> bool:
    """Whether a high pass keeps the upper driver 12 dB down at its safe band's end."""
    octaves = np.log2(frequency_hz / upper.safe_band_hz[0])
    if upper.driver == "tweeter":
        return order >= 2 and 6 * order * octaves >= 9.0
    return order >= 1


def preference_db(slope: Slope, overlap: tuple[float, float]) -> float:
    """What a choice costs beyond its sum: off the middle, uneven or shallow slopes."""
    middle = np.sqrt(np.prod(overlap))
    octaves = abs(np.log2(slope.frequency_hz / middle))
    cost = MIDDLE_COST_DB * octaves * (1 + octaves)
    cost += UNEVEN_COST_DB * (slope.low_order != slope.high_order)
    cost += 0.1 * abs(np.log2(slope.high_order / 4)) + 0.1 * abs(np.log2(slope.low_order / 4))
    return float(cost)


def ranked(
    pairs: Sequence[Pair],
    overlap: tuple[float, float],
    slopes_to_try: Sequence[Slope],
    processor: Processor,
    drivers: tuple[Output, Output] | None = None,
) -> list[Choice]:
    """Choices for loudspeakers of one kind, the best first.

    `drivers`: the lower and the upper one of any of them, for what a crossover asks of these.
    """
    rate = processor.sample_rate_hz

    def choices(slope: Slope) -> list[Choice]:
        both = zip(*(joints_for(pair, slope, rate) for pair in pairs), strict=True)
        expected, preferred = expects_inversion(slope, rate), preference_db(slope, overlap)
        found = []
        for inverted, joints in zip((False, True), both, strict=True):
            cost = float(np.mean([joint.cost_db for joint in joints])) + preferred
            cost += INVERSION_COST_DB * (inverted != expected)
            gain_db = float(np.mean([joint.gain_db for joint in joints]))
            asked = burden(*drivers, slope.frequency_hz, gain_db) if drivers else NO_BURDEN
            found.append(Choice(slope, joints, cost + asked.cost_db, asked))
        return found

    return _ordered([choice for slope in slopes_to_try for choice in choices(slope)])


def _ordered(choices: Sequence[Choice]) -> list[Choice]:
    """What sums as well as the best comes first; within that and after it, the least cost."""
    best = min(choices, key=lambda item: item.sum_db)
    most = best.sum_db + max(AS_GOOD_DB, best.sum_db / 4, best.scatter_db)
    return sorted(choices, key=lambda item: (item.sum_db > most, item.cost_db, str(item.slope)))
