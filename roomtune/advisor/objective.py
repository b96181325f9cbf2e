"""What a fit minimises: distances of levels from what is wanted, in dB, weighted.

Levels are those of rows: powers averaged over a few narrow bands and over
seats. Rows are held against the target with one level fitted per channel (the
channel's own gain sets it afterwards); pairs are made alike at the main seat;
excess boost and needless gain cost something too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.state import Electrical, Free, State, electrical, packed, unpacked

Array = NDArray[np.float64]
DB = 10 / np.log(10)
OVER_WEIGHT = 3.0


@dataclass(frozen=True, eq=False)
class Rows:
    """Levels looked at: which seats (weights (g, s)), which bands (weights (r, k)).

    The weights of a row of bands are one run of neighbours.
    """

    seats: Array
    bands: Array

    @cached_property
    def runs(self) -> NDArray[np.intp]:
        """First narrow band of each row and the one after its last, in turn; (2 r,)."""
        used = self.bands > 0
        first = np.argmax(used, axis=1)
        return np.stack([first, first + used.sum(axis=1)], axis=-1).ravel()

    def mean(self, values: Array) -> Array:
        """Means (..., r) of values (..., k) over the rows' bands, weighted equally inside."""
        padded = np.concatenate([values, np.zeros((*values.shape[:-1], 1))], axis=-1)
        sums = np.add.reduceat(padded, self.runs, axis=-1)[..., ::2]
        return np.asarray(sums / (self.runs[1::2] - self.runs[::2]))


@dataclass(frozen=True, eq=False)
class Goal:
    """Weighted aims for the levels of one channel.

    rows: what is looked at; wanted_db and weights: (g, r).
    """

    channel: int
    rows: Rows
    wanted_db: Array
    weights: Array


@dataclass(frozen=True, eq=False)
class Match:
    """Two channels to be alike in the given rows, apart from one level.

    weights: (g, r); level: (g, r), summing to 1: the rows whose mean difference
    counts as level. Differences beyond `tolerance_db` cost more.
    """

    left: int
    right: int
    rows: Rows
    weights: Array
    level: Array
    tolerance_db: float = 0.8
    excess_weight: float = 3.0


@dataclass(frozen=True, eq=False)
class Spread:
    """One channel to be alike at all seats, without losing too much level.

    rows: every seat by itself (s, s) and the bands; whole: one row over all;
    seats: weights (s,). `full_db`: the level that would be lost from; what is
    lost beyond `allowed_db` costs OVER_WEIGHT, all of it by `loss_weight`.
    """

    channel: int
    rows: Rows
    whole: Rows
    seats: Array
    full_db: float
    allowed_db: float
    loss_weight: float
    weight: float = 1.0


@dataclass(frozen=True, eq=False)
class Problem:
    """All aims, the base responses (per channel (outputs, k)) and the costs of filters."""

    model: EnergyModel
    base: tuple[NDArray[np.complex128], ...]
    rate_hz: float
    goals: tuple[Goal, ...]
    matches: tuple[Match, ...] = ()
    spreads: tuple[Spread, ...] = ()
    boost_limit_db: float = 6.0
    boost_weight: float = 1.0
    gain_weight: float = 0.02

    def folded(self, state: State, keep: Sequence[int]) -> tuple[Problem, State]:
        """The same problem with all of `state` but the kept sections moved into the base."""
        kept = tuple(state.sections[place] for place in keep)
        rest = replace(
            state, sections=tuple(s for i, s in enumerate(state.sections) if i not in set(keep))
        )
        added = electrical(rest, Free(), self.model.centres_hz, self.rate_hz, False).response
        base = tuple(
            base * added[members]
            for base, members in zip(self.base, self.model.members, strict=True)
        )
        zero = np.zeros_like(state.gains_db)
        return replace(self, base=base), State(zero, zero, kept)


@dataclass(frozen=True, eq=False)
class Heard:
    """Channels as they are heard for given electrical responses, each worked out once."""

    problem: Problem
    now: Electrical
    count: int
    known: dict[int, tuple[Array, NDArray[np.complex128]]] = field(default_factory=dict)

    def power(self, channel: int) -> tuple[Array, NDArray[np.complex128]]:
        """Powers (seats, k) and shares (outputs, seats, k) of a channel."""
        if channel not in self.known:
            members = self.problem.model.members[channel]
            gains = self.problem.base[channel] * self.now.response[members]
            self.known[channel] = self.problem.model.power(channel, gains)
        return self.known[channel]

    def levels(self, channel: int, rows: Rows) -> tuple[Array, Array]:
        """Levels (g, r) in dB of a channel's rows and their slopes (g, r, count)."""
        power, shares = self.power(channel)
        total = rows.mean(rows.seats @ power)
        slopes = np.zeros((*total.shape, self.count))
        for place, output in enumerate(self.problem.model.members[channel]):
            places = self.now.places[output]
            if len(places):
                at_seats = rows.seats @ shares[place]
                moved = self.now.slopes[output]
                effect = at_seats.real[:, None] * moved.real - at_seats.imag[:, None] * moved.imag
                slopes[..., places] += np.moveaxis(rows.mean(effect), -2, -1)
        return DB * np.log(total), 2 * DB * slopes / total[..., None]


def residuals(
    problem: Problem, state: State, free: Free, variables: Array, slopes: bool = True
) -> tuple[Array, Array]:
    """Weighted distances (m,) and their slopes (m, n) at the variables of a fit.

    Without `slopes` these are zero.
    """
    moved = unpacked(state, free, variables)
    now = electrical(moved, free, problem.model.centres_hz, problem.rate_hz, slopes)
    blocks = acoustic_blocks(problem, now, free.count)
    blocks += _filter_costs(problem, moved, free, now)
    return np.concatenate([b[0] for b in blocks]), np.concatenate([b[1] for b in blocks])


def acoustic_blocks(problem: Problem, now: Electrical, count: int) -> list[tuple[Array, Array]]:
    """Distances and slopes of all that is heard, block by block."""
    heard = Heard(problem, now, count)
    blocks = _goals(problem.goals, heard)
    blocks += [_match(match, heard) for match in problem.matches]
    return blocks + [_spread(spread, heard) for spread in problem.spreads]


def _goals(goals: Sequence[Goal], heard: Heard) -> list[tuple[Array, Array]]:
    """Distances from the aims after fitting one level for each channel."""
    blocks = []
    for channel in dict.fromkeys(goal.channel for goal in goals):
        errors, slopes, weights = [], [], []
        for goal in (goal for goal in goals if goal.channel == channel):
            level, slope = heard.levels(channel, goal.rows)
            errors.append((level - goal.wanted_db).ravel())
            slopes.append(slope.reshape(level.size, heard.count))
            weights.append(goal.weights.ravel())
        error, slope = np.concatenate(errors), np.concatenate(slopes)
        weight = np.concatenate(weights)
        share = weight**2 / max(float(weight @ weight), 1e-300)
        error, slope = error - share @ error, slope - share @ slope
        blocks.append((weight * error, weight[:, None] * slope))
    return blocks


def _spread(spread: Spread, heard: Heard) -> tuple[Array, Array]:
    """Deviations of every seat from the seats' mean, and the level lost."""
    level, slope = heard.levels(spread.channel, spread.rows)
    error = level - np.einsum("s,sr->r", spread.seats, level)
    slope = slope - np.einsum("s,srn->rn", spread.seats, slope)
    weight = np.sqrt(spread.seats / level.shape[1])[:, None] * spread.weight
    whole, whole_slope = heard.levels(spread.channel, spread.whole)
    loss = spread.full_db - whole[0]
    over = np.maximum(loss - spread.allowed_db, 0)
    parts = [
        (weight * error).ravel(),
        spread.loss_weight * spread.weight * loss,
        OVER_WEIGHT * spread.weight * over,
    ]
    slopes = [
        (weight[..., None] * slope).reshape(error.size, heard.count),
        -spread.loss_weight * spread.weight * whole_slope[0],
        -OVER_WEIGHT * spread.weight * (over > 0)[:, None] * whole_slope[0],
    ]
    return np.concatenate(parts), np.concatenate(slopes)


def _match(match: Match, heard: Heard) -> tuple[Array, Array]:
    left, left_slope = heard.levels(match.left, match.rows)
    right, right_slope = heard.levels(match.right, match.rows)
    error, slope = (left - right).ravel(), (left_slope - right_slope)
    slope = slope.reshape(error.size, heard.count)
    weight, share = match.weights.ravel(), match.level.ravel()
    error, slope = error - share @ error, slope - share @ slope
    over = np.abs(error) > match.tolerance_db
    excess = np.where(over, error - np.sign(error) * match.tolerance_db, 0.0)
    hinge = match.excess_weight * weight
    return (
        np.concatenate([weight * error, hinge * excess]),
        np.concatenate([weight[:, None] * slope, (hinge * over)[:, None] * slope]),
    )


def _filter_costs(
    problem: Problem, state: State, free: Free, now: Electrical
) -> list[tuple[Array, Array]]:
    """Gains of filters cost a little, boost beyond the limit a lot."""
    if not free.sections:
        return []
    first = len(free.gains) + len(free.delays)
    chosen = [state.sections[place] for place in free.sections]
    gains = np.array([section.values[2] for section in chosen])
    slope = np.zeros((len(gains), free.count))
    slope[np.arange(len(gains)), first + 2 + 3 * np.arange(len(gains))] = problem.gain_weight
    costs = [(problem.gain_weight * gains, slope)]
    for output in sorted({output for section in chosen for output in section.outputs}):
        delayless = 2 * DB * np.log(np.abs(now.response[output])) - state.gains_db[output]
        over = np.flatnonzero(delayless > problem.boost_limit_db)
        if len(over):
            excess = np.zeros((len(over), free.count))
            if len(now.places[output]):
                rows = now.slopes[output][:, over].real.T / (np.log(10) / 20)
                excess[:, now.places[output]] = rows * (now.places[output] >= first)
            value = delayless[over] - problem.boost_limit_db
            costs.append((problem.boost_weight * value, problem.boost_weight * excess))
    return costs


def fitted(problem: Problem, state: State, free: Free, steps: int = 30) -> tuple[State, float]:
    """The state after a bounded least-squares fit of its free values, and its cost."""
    from roomtune.advisor.least_squares import minimise

    start, lower, upper = packed(state, free)
    found = minimise(
        lambda x, slopes: residuals(problem, state, free, x, slopes),
        start,
        lower,
        upper,
        steps,
        1e-4,
    )
    return unpacked(state, free, found.variables), found.cost


def cost_of(problem: Problem, state: State) -> float:
    """Half the sum of squares at a state."""
    free = Free(sections=tuple(range(len(state.sections))))
    error, _ = residuals(problem, state, free, packed(state, free)[0], slopes=False)
    return 0.5 * float(error @ error)
