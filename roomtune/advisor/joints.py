"""Joints between two neighbouring drivers of a loudspeaker.

For a slope, the delay, polarity and gain of the upper driver that make the direct
sounds of both add up best: how near the sum is to a perfect joint through the two
octaves about the crossover, how much is lost by phase differences, and how well
both hold at the other seats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.direct import gated
from roomtune.advisor.measured import Measured
from roomtune.processor.filters import filter_response
from roomtune.processor.tuning import Family, Filter
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import Output

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
POINTS_PER_OCTAVE = 24
OTHER_SEATS_WEIGHT = 0.3
LOSS_WEIGHT, DELAY_COST_DB = 0.7, 2.0
REACH_PERIODS, STEPS, COARSE, DIPS = 0.75, 120, 5, 2


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


@dataclass(frozen=True, eq=False)
class Pair:
    """Direct sounds of two neighbouring drivers at the seats: (seats, k) each."""

    lower: Complex
    upper: Complex
    frequencies_hz: Array
    delay_s: float
    weights: Array


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


def joints_for(pair: Pair, slope: Slope, rate_hz: float) -> tuple[Joint, Joint]:
    """The best delay and gain of the upper driver for one slope: as it is, and turned over.

    Every few steps of delay are tried, then all about the lowest of these.
    """
    gain, meeting = _meeting(pair, slope, rate_hz)
    reach = REACH_PERIODS / slope.frequency_hz
    delays = -pair.delay_s + np.arange(-reach, reach, max(reach / STEPS, 5e-6))
    coarse = np.arange(0, len(delays), COARSE)
    rows = [_about_dips(costs, coarse, len(delays)) for costs in meeting.judged(delays[coarse])[0]]
    near = np.unique(np.concatenate(rows))
    costs, ripple, loss = meeting.judged(delays[near])
    best = np.argmin(costs, axis=1)
    upright, turned = (
        Joint(
            float(delays[near[place]] * 1e3),
            bool(way),
            float(20 * np.log10(gain)),
            float(ripple[way, place]),
            float(loss[way, place]),
            float(costs[way, place]),
        )
        for way, place in enumerate(best)
    )
    return upright, turned


def _about_dips(costs: Array, coarse: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    """Places about the lowest dips of costs that are known at every few of `count` places."""
    padded = np.pad(costs, 1, constant_values=np.inf)
    dips = np.flatnonzero((costs <= padded[:-2]) & (costs <= padded[2:]))
    dips = dips[np.argsort(costs[dips], kind="stable")[:DIPS]]
    near = coarse[dips][:, None] + np.arange(1 - COARSE, COARSE)
    return np.clip(near, 0, count - 1).ravel()


@dataclass(frozen=True, eq=False)
class _Meeting:
    """Two drivers through their filters about a crossover, at the seats.

    own: their powers together, crossed: conj(lower) times upper twice, both (seats, k);
    ideals_db, reached_db: levels (seats, k) of a perfect joint and of adding in phase;
    weights: (seats,); middle_s: the delay at which they arrive together.
    """

    frequencies_hz: Array
    own: Array
    crossed: Complex
    ideals_db: Array
    reached_db: Array
    weights: Array
    middle_s: float
    crossover_hz: float

    def judged(self, delays: Array) -> tuple[Array, Array, Array]:
        """Cost, ripple and loss in dB, each (2, delays): the upper as it is, and turned over."""
        angle = 2 * np.pi * delays[:, None] * self.frequencies_hz
        crossed = self.crossed.real[:, None] * np.cos(angle)
        crossed += self.crossed.imag[:, None] * np.sin(angle)
        power = np.stack([self.own[:, None] + crossed, self.own[:, None] - crossed])
        level = 10 * np.log10(np.maximum(power, 1e-24))
        share = np.abs(self.crossed) / self.own
        share = share / np.maximum(share.sum(axis=-1, keepdims=True), 1e-9)
        lost = np.sum(self.reached_db * share, axis=-1)[:, None]
        lost = lost - np.einsum("psdk,sk->psd", level, share)
        level -= self.ideals_db[:, None]
        level -= level.mean(axis=-1, keepdims=True)
        ripple = np.sqrt(np.einsum("psdk,psdk->psd", level, level) / level.shape[-1])
        ripple, loss = (np.einsum("s,psd->pd", self.weights, each) for each in (ripple, lost))
        off = (delays - self.middle_s) * self.crossover_hz
        return ripple + LOSS_WEIGHT * loss + DELAY_COST_DB * off**2, ripple, loss


def _meeting(pair: Pair, slope: Slope, rate_hz: float) -> tuple[float, _Meeting]:
    """The upper driver's gain, and how the two meet in the two octaves about the crossover."""
    gain = _relative_level(pair, slope)
    ratio = pair.frequencies_hz / slope.frequency_hz
    region = (ratio > 1 / 2) & (ratio < 2)
    here = pair.frequencies_hz[region]
    lower = pair.lower[:, region] * filter_response(slope.low_pass, rate_hz, here)
    upper = pair.upper[:, region] * (gain * filter_response(slope.high_pass, rate_hz, here))
    own = np.abs(lower) ** 2 + np.abs(upper) ** 2 + 1e-30
    crossed = 2 * lower.conj() * upper
    reached = 10 * np.log10(np.maximum(own + np.abs(crossed), 1e-24))
    weights = np.where(pair.weights == pair.weights.max(), 1.0, OTHER_SEATS_WEIGHT)
    return gain, _Meeting(
        here,
        own,
        crossed,
        _ideal_db(pair, slope, gain, region),
        reached,
        weights / weights.sum(),
        -pair.delay_s,
        slope.frequency_hz,
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
