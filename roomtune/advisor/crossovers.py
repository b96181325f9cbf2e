"""Crossovers between the drivers of a loudspeaker.

Every slope that the processor offers is tried on a grid of frequencies; for
each, the delay and polarity that make the two drivers' direct sounds add up
best are found. A choice is judged by how near the sum is to a perfect joint
through the two octaves about the crossover, how much is lost by phase
differences, and how well both hold at the other seats. What sums nearly as well
as the best is alike in that: a tenth of a dB worse, or by a quarter of what even
the best leaves over, or by what loudspeakers alike differ. Among those, the
middle of the overlap and symmetrical slopes of order 4 are preferred.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.bands import UsableBand
from roomtune.advisor.direct import gated
from roomtune.advisor.layout import slopes
from roomtune.advisor.measured import Measured
from roomtune.processor.filters import filter_response
from roomtune.processor.tuning import Family, Filter
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import Output, Processor, System

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
POINTS_PER_OCTAVE = 24
OTHER_SEATS_WEIGHT = 0.3
MIDDLE_COST_DB, UNEVEN_COST_DB, DELAY_COST_DB = 0.7, 0.15, 2.0
LOSS_WEIGHT, INVERSION_COST_DB = 0.7, 0.3
AS_GOOD_DB = 0.1


@dataclass(frozen=True)
class Slope:
    """A crossover's two electrical filters."""

    frequency_hz: float
    family: Family
    low_order: int
    high_order: int

    @property
    def low_pass(self) -> Filter:
        """Of the lower driver."""
        return Filter("low pass", self.frequency_hz, family=self.family, order=self.low_order)

    @property
    def high_pass(self) -> Filter:
        """Of the upper driver."""
        return Filter("high pass", self.frequency_hz, family=self.family, order=self.high_order)

    def __str__(self) -> str:
        orders = f"order {self.low_order}"
        if self.high_order != self.low_order:
            orders = f"orders {self.low_order} (low pass) and {self.high_order} (high pass)"
        return f"{self.frequency_hz:g} Hz, {self.family} {orders}"


@dataclass(frozen=True)
class Joint:
    """How the upper driver joins the lower one of one loudspeaker.

    delay_ms: of the upper driver after the lower (negative: before);
    inverted: whether the upper one is turned over; ripple_db: rms distance of
    the sum from flat; loss_db: level lost to phase, mean over the region.
    """

    delay_ms: float
    inverted: bool
    gain_db: float
    ripple_db: float
    loss_db: float
    cost_db: float


@dataclass(frozen=True)
class Choice:
    """A slope for a kind of loudspeaker, with the joint in each of them."""

    slope: Slope
    joints: tuple[Joint, ...]
    cost_db: float

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


@dataclass(frozen=True, eq=False)
class Pair:
    """Direct sounds of two neighbouring drivers at the seats: (seats, k) each."""

    lower: Complex
    upper: Complex
    frequencies_hz: Array
    delay_s: float
    weights: Array


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


def direct_pair(
    measured: Measured,
    lower: Output,
    upper: Output,
    seat_weights: Array,
    region: tuple[float, float],
    delay_s: float | None,
) -> Pair:
    """Gated responses of two drivers at all seats, an octave and a half about the region.

    `delay_s`: arrival of the upper after the lower driver, where known; else it
    is taken from their correlation.
    """
    top = 0.45 * measured.responses.sample_rate_hz
    frequencies = log_frequencies_hz(region[0] / 3, min(region[1] * 3, top), POINTS_PER_OCTAVE)
    places = [measured.outputs.index(lower.name), measured.outputs.index(upper.name)]
    gate = max(4e-3, 4 / region[0])
    shared = (region[0] / 1.5, min(region[1] * 1.5, top))
    both = np.array(
        [
            gated(measured, places, seat, gate, frequencies, shared).values
            for seat in range(len(measured.seats))
        ]
    )
    main = int(np.argmax(seat_weights))
    if delay_s is None:
        delay_s = _delay_between(both[main, 0], both[main, 1], frequencies, region)
    return Pair(both[:, 0], both[:, 1], frequencies, delay_s, seat_weights)


def _delay_between(
    lower: Complex, upper: Complex, frequencies: Array, region: tuple[float, float]
) -> float:
    """Delay of the upper after the lower driver in the region: the strongest correlation."""
    inside = (frequencies >= region[0] / 1.3) & (frequencies <= region[1] * 1.3)
    cross = upper[inside] * np.conj(lower[inside])
    cross = cross / np.maximum(np.abs(cross), 1e-30)
    delays = np.arange(-3e-3, 3e-3, 4e-6)
    wave = np.exp(2j * np.pi * delays[:, None] * frequencies[inside]) @ cross
    return float(delays[np.argmax(np.abs(wave))])


def joint_for(pair: Pair, slope: Slope, rate_hz: float, inverted: bool) -> Joint:
    """The best delay and gain of the upper driver for one slope and polarity."""
    low = filter_response(slope.low_pass, rate_hz, pair.frequencies_hz)
    high = filter_response(slope.high_pass, rate_hz, pair.frequencies_hz)
    gain = _relative_level(pair, slope)
    ratio = pair.frequencies_hz / slope.frequency_hz
    region = (ratio > 1 / 2) & (ratio < 2)
    lower = (pair.lower * low)[:, region]
    upper = (pair.upper * high)[:, region] * (-gain if inverted else gain)
    reach = 0.75 / slope.frequency_hz
    delays = -pair.delay_s + np.arange(-reach, reach, max(reach / 120, 5e-6))
    turns = np.exp(-2j * np.pi * delays[:, None] * pair.frequencies_hz[region])
    ideals = _ideal_db(pair, slope, gain, region)
    costs, ripple, loss = _judged(pair, (lower, upper), turns, delays, slope, ideals)
    best = int(np.argmin(costs))
    return Joint(
        float(delays[best] * 1e3),
        inverted,
        float(20 * np.log10(gain)),
        float(ripple[best]),
        float(loss[best]),
        float(costs[best]),
    )


def expects_inversion(slope: Slope, rate_hz: float) -> bool:
    """Whether ideal drivers would need the upper one turned over for this slope."""
    here = np.array([slope.frequency_hz])
    low = filter_response(slope.low_pass, rate_hz, here)
    high = filter_response(slope.high_pass, rate_hz, here)
    return bool(np.abs(low - high)[0] > 1.01 * np.abs(low + high)[0])


def _relative_level(pair: Pair, slope: Slope) -> float:
    """Gain that makes the upper driver as loud above as the lower one is below."""
    ratio = pair.frequencies_hz / slope.frequency_hz
    below = (ratio > 1 / 3) & (ratio < 1 / 1.2)
    above = (ratio > 1.2) & (ratio < 3)
    quiet = np.average(np.mean(np.abs(pair.lower[:, below]) ** 2, axis=-1), weights=pair.weights)
    loud = np.average(np.mean(np.abs(pair.upper[:, above]) ** 2, axis=-1), weights=pair.weights)
    return float(np.sqrt(quiet / max(loud, 1e-300))) if quiet > 0 else 1.0


def _ideal_db(pair: Pair, slope: Slope, gain: float, region: NDArray[np.bool_]) -> Array:
    """Level of a perfect joint (seats, k): both magnitudes through fourth-order slopes, in phase.

    What the drivers' own ups and downs do to every choice alike is thus left
    out; the equaliser sees to it later.
    """
    ratio = (pair.frequencies_hz[region] / slope.frequency_hz) ** 4
    above = ratio / (1 + ratio)
    lower, upper = np.abs(pair.lower[:, region]), np.abs(pair.upper[:, region]) * gain
    return np.asarray(20 * np.log10((1 - above) * lower + above * upper + 1e-12))


def _judged(
    pair: Pair,
    parts: tuple[Complex, Complex],
    turns: Complex,
    delays: Array,
    slope: Slope,
    ideals: Array,
) -> tuple[Array, Array, Array]:
    """Cost, ripple and loss in dB for every delay."""
    weights = np.where(pair.weights == pair.weights.max(), 1.0, OTHER_SEATS_WEIGHT)
    weights = weights / weights.sum()
    total_ripple, total_loss = np.zeros(len(delays)), np.zeros(len(delays))
    for weight, a, b, ideal in zip(weights, *parts, ideals, strict=True):
        level = 20 * np.log10(np.abs(a + b * turns) + 1e-12)
        reached = 20 * np.log10(np.abs(a) + np.abs(b) + 1e-12)
        share = 2 * np.abs(a) * np.abs(b) / (np.abs(a) ** 2 + np.abs(b) ** 2 + 1e-30)
        lost = (reached - level) * share
        total_ripple += weight * np.std(level - ideal, axis=-1)
        total_loss += weight * lost.sum(axis=-1) / max(share.sum(), 1e-9)
    off = (delays + pair.delay_s) * slope.frequency_hz
    cost = total_ripple + LOSS_WEIGHT * total_loss + DELAY_COST_DB * off**2
    return cost, total_ripple, total_loss


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
) -> list[Choice]:
    """Choices for loudspeakers of one kind, the best first."""
    rate = processor.sample_rate_hz

    def choice(slope: Slope, inverted: bool) -> Choice:
        joints = tuple(joint_for(pair, slope, rate, inverted) for pair in pairs)
        cost = float(np.mean([joint.cost_db for joint in joints]))
        unexpected = inverted != expects_inversion(slope, rate)
        cost += preference_db(slope, overlap) + INVERSION_COST_DB * unexpected
        return Choice(slope, joints, cost)

    return _ordered([choice(slope, way) for slope in slopes_to_try for way in (False, True)])


def _ordered(choices: Sequence[Choice]) -> list[Choice]:
    """What sums as well as the best comes first; within that and after it, the least cost."""
    best = min(choices, key=lambda item: item.sum_db)
    most = best.sum_db + max(AS_GOOD_DB, best.sum_db / 4, best.scatter_db)
    return sorted(choices, key=lambda item: (item.sum_db > most, item.cost_db, str(item.slope)))
