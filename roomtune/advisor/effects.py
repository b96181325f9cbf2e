"""What each step of an advice is worth in dB, and how sure that is.

A step is worth what the finished tuning would lose without it, everything else
as advised. Its uncertainty joins two parts: how much the worth changes when any
one seat is left out (the jackknife, Efron 1982), and what the noise of the
takes explains (seeded draws).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains, third_rows
from roomtune.advisor.scores import DEVIATION_BAND_HZ, LEVEL_BAND_HZ, apart_from_level_db
from roomtune.advisor.target import target_db
from roomtune.processor.tuning import Tuning

Array = NDArray[np.float64]
DRAWS, SEED = 24, 5
MOST_SIGMA_DB, LEAST_DB = 6.0, 0.01


@dataclass(frozen=True, eq=False)
class Levels:
    """Third-octave levels of the main channels at every seat, 40 Hz to 16 kHz.

    level_db, sigma_db: (channels, seats, r), the latter what the noise explains;
    wanted_db: the target (r,); weights: of the seats, main: place of the main seat.
    """

    channels: tuple[str, ...]
    centres_hz: Array
    level_db: Array
    sigma_db: Array
    wanted_db: Array
    weights: Array
    main: int

    def average_db(self) -> Array:
        """Power average over the seats by their weights, (channels, r)."""
        power = np.einsum("s,csr->cr", self.weights, 10 ** (self.level_db / 10))
        return np.asarray(10 * np.log10(power / self.weights.sum()))

    def chosen(self, names: tuple[str, ...]) -> list[int]:
        """Places of some channels."""
        return [place for place, name in enumerate(self.channels) if name in names]


Measure = Callable[[Levels], float]


@dataclass(frozen=True)
class Effect:
    """An improvement in dB with one standard deviation."""

    value_db: float
    uncertainty_db: float


def levels_of(aims: Aims, tuning: Tuning) -> Levels:
    """The levels that a tuning makes, as the energy model predicts them."""
    centres, bands = third_rows(aims.model, DEVIATION_BAND_HZ)
    gains = base_gains(aims, tuning, whole_samples=True)
    level, sigma = [], []
    for channel in aims.mains:
        power, _ = aims.model.power(channel, gains[channel])
        members = aims.model.members[channel]
        noise = np.einsum("ok,osk->sk", np.abs(gains[channel]) ** 2, aims.model.noise[members])
        heard = np.maximum(power @ bands.T, 1e-30)
        level.append(10 * np.log10(heard))
        sigma.append(20 / np.log(10) * np.sqrt(noise @ bands.T / (2 * heard)))
    return Levels(
        tuple(aims.model.channels[c] for c in aims.mains),
        centres,
        np.array(level),
        np.minimum(np.array(sigma), MOST_SIGMA_DB),
        target_db(aims.system, centres),
        aims.average[0],
        aims.main_seat,
    )


def effect_of(without: Levels, finished: Levels, measure: Measure) -> Effect:
    """What a step improves a measure by (smaller is better)."""
    value = measure(without) - measure(finished)
    seats = _left_out(without, finished, measure)
    noise = _drawn(without, finished, measure)
    return Effect(round(value, 2), max(round(float(np.hypot(seats, noise)), 2), LEAST_DB))


def _left_out(without: Levels, finished: Levels, measure: Measure) -> float:
    """Jackknife over the seats; the measures of one seat alone say nothing, so 0."""
    count = len(finished.weights)
    if count < 2:
        return 0.0
    values = [
        measure(_without_seat(without, seat)) - measure(_without_seat(finished, seat))
        for seat in range(count)
    ]
    return float(np.sqrt((count - 1) * np.var(values)))


def _without_seat(levels: Levels, seat: int) -> Levels:
    """The levels with one seat taken away; the next heaviest is the main one if need be."""
    kept = [place for place in range(len(levels.weights)) if place != seat]
    weights = levels.weights[kept]
    main = kept.index(levels.main) if seat != levels.main else int(np.argmax(weights))
    return replace(
        levels,
        level_db=levels.level_db[:, kept],
        sigma_db=levels.sigma_db[:, kept],
        weights=weights if weights.sum() > 0 else np.ones(len(kept)),
        main=main,
    )


def _drawn(without: Levels, finished: Levels, measure: Measure) -> float:
    """Standard deviation over noise drawn anew for both, as far as the takes are uncertain."""
    random = np.random.default_rng(SEED)
    values = []
    for _ in range(DRAWS):
        draw = random.normal(size=finished.level_db.shape)
        values.append(measure(_noisy(without, draw)) - measure(_noisy(finished, draw)))
    return float(np.std(values))


def _noisy(levels: Levels, draw: Array) -> Levels:
    return replace(levels, level_db=levels.level_db + levels.sigma_db * draw)


def off_target(names: tuple[str, ...], low_hz: float = 0.0, high_hz: float = np.inf) -> Measure:
    """Rms distance of channels' seat averages from the target, one level fitted to each."""

    def measure(levels: Levels) -> float:
        error = levels.average_db()[levels.chosen(names)] - levels.wanted_db
        error = apart_from_level_db(error)
        inside = _inside(levels, low_hz, high_hz)
        return float(np.sqrt(np.mean(error[:, inside] ** 2))) if len(error) else 0.0

    return measure


def seats_apart(names: tuple[str, ...], high_hz: float) -> Measure:
    """Standard deviation between the seats, rms over thirds up to a frequency and channels."""

    def measure(levels: Levels) -> float:
        part = levels.level_db[levels.chosen(names)][..., _inside(levels, 0.0, high_hz)]
        if not part.size:
            return 0.0
        weights = levels.weights / levels.weights.sum()
        middle = np.einsum("s,csr->cr", weights, part)[:, None]
        return float(np.sqrt(np.mean(np.einsum("s,csr->cr", weights, (part - middle) ** 2))))

    return measure


def out_of_level(name: str) -> Measure:
    """How far a channel's level is from the median of all at the main seat, 500 Hz to 2 kHz."""

    def measure(levels: Levels) -> float:
        inside = _inside(levels, LEVEL_BAND_HZ[0], LEVEL_BAND_HZ[1])
        power = np.mean(10 ** (levels.level_db[:, levels.main][:, inside] / 10), axis=-1)
        level = 10 * np.log10(power)
        place = levels.channels.index(name)
        others = np.delete(level, place)
        return float(abs(level[place] - np.median(others))) if len(others) else 0.0

    return measure


def _inside(levels: Levels, low_hz: float, high_hz: float) -> NDArray[np.bool_]:
    """The thirds within limits; at least the nearest to their middle."""
    hz = levels.centres_hz
    inside = (hz > low_hz / 1.06) & (hz < high_hz * 1.06)
    if not inside.any():
        middle = np.sqrt(max(low_hz, 1.0) * min(high_hz, 1e5))
        inside[np.argmin(np.abs(np.log(hz / middle)))] = True
    return np.asarray(inside)
