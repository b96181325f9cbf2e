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
from roomtune.advisor.least_squares import Fit, Quadratic, minimise
from roomtune.advisor.moving import Electrical, Moving, electrical, moving
from roomtune.advisor.state import Free, State, packed, unpacked

Array = NDArray[np.float64]
DB = 10 / np.log(10)
OVER_WEIGHT = 8.0
MOST_BEYOND_DB = 3.0


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

    @cached_property
    def counts(self) -> NDArray[np.intp]:
        """Number of narrow bands in each row, (r,)."""
        return self.runs[1::2] - self.runs[::2]

    @cached_property
    def singles(self) -> slice | NDArray[np.intp] | None:
        """The narrow bands when every row is one, a slice when they are neighbours; else None."""
        if self.counts.max() > 1:
            return None
        chosen = self.runs[::2]
        neighbours = np.array_equal(chosen, np.arange(chosen[0], chosen[0] + len(chosen)))
        return slice(int(chosen[0]), int(chosen[-1]) + 1) if neighbours else chosen

    def sums(self, values: Array) -> Array:
        """Sums (..., r) of values (..., k) over the rows' bands."""
        if self.singles is not None:
            return values[..., self.singles]
        if self.runs[:-1].max() >= values.shape[-1]:
            values = np.concatenate([values, np.zeros((*values.shape[:-1], 1))], axis=-1)
        inside = self.runs[:-1] if self.runs[-1] >= values.shape[-1] else self.runs
        return np.asarray(np.add.reduceat(values, inside, axis=-1)[..., ::2])


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

    @cached_property
    def phases(self) -> bool:
        """Whether phases count: not where every channel plays from one output alone."""
        return any(len(members) > 1 for members in self.model.members)

    def moving(self, state: State, free: Free) -> Moving:
        """A state prepared for a fit of its free values."""
        return moving(state, free, self.model.centres_hz, self.rate_hz, self.phases)

    def folded(self, state: State, keep: Sequence[int]) -> tuple[Problem, State]:
        """The same problem with all but the gains and the kept sections moved into the base."""
        kept = tuple(state.sections[place] for place in keep)
        rest = tuple(s for i, s in enumerate(state.sections) if i not in set(keep))
        zero = np.zeros_like(state.gains_db)
        still = State(zero, state.delays_ms, rest)
        added = electrical(still, self.model.centres_hz, self.rate_hz)
        base = tuple(
            base * added[members]
            for base, members in zip(self.base, self.model.members, strict=True)
        )
        return replace(self, base=base), State(state.gains_db, zero, kept)


@dataclass(frozen=True, eq=False)
class Block:
    """Weighted distances (m,), and their slopes (c, m) by the variables at `columns` (c,)."""

    error: Array
    slopes: Array
    columns: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Heard:
    """Channels as they are heard for given electrical responses, each worked out once."""

    problem: Problem
    now: Electrical
    known: dict[tuple[int, bytes], tuple[Array, Array]] = field(default_factory=dict)

    def columns(self, *channels: int) -> NDArray[np.intp]:
        """The variables that move any of the channels, ascending."""
        known = self.now.columns
        if channels not in known:
            members = [self.problem.model.members[channel] for channel in channels]
            places = self.now.places or ((),) * len(self.now.response)
            mine = [places[output] for outputs in members for output in outputs]
            known[channels] = np.array(
                sorted({int(p) for each in mine for p in each}), dtype=np.intp
            )
        return known[channels]

    def levels(self, channel: int, rows: Rows) -> tuple[Array, Array]:
        """Levels (g, r) in dB of a channel's rows, and slopes (c, g, r) by what moves it."""
        key = channel, rows.seats.tobytes()
        if key not in self.known:
            self.known[key] = self._power(channel, rows.seats)
        power, slopes = self.known[key]
        total = rows.sums(power)
        level = DB * np.log(total / rows.counts)
        if not len(slopes):
            return level, np.zeros((0, *total.shape))
        return level, rows.sums(slopes) * (2 * DB / total)

    def _power(self, channel: int, seats: Array) -> tuple[Array, Array]:
        """Powers (g, k) of a channel, and half their slopes (c, g, k) by what moves it."""
        members, columns = self.problem.model.members[channel], self.columns(channel)
        gains = self.problem.base[channel] * self.now.response[members]
        power, shares = self.problem.model.power(channel, gains, seats)
        if len(members) == 1 and len(columns):
            return power, self.now.slopes[members[0]][:, None].real * shares[0].real
        slopes = np.zeros((len(columns), *power.shape))
        for place, output in enumerate(members if len(columns) else ()):
            mine = self.now.places[output]
            if len(mine):
                moved = self.now.slopes[output][:, None]
                effect = moved.real * shares[place].real - moved.imag * shares[place].imag
                slopes[_slots(columns, mine)] += effect
        return power, slopes


def _slots(columns: NDArray[np.intp], chosen: NDArray[np.intp]) -> slice | NDArray[np.intp]:
    """Where some of the columns stand among them."""
    return slice(None) if len(chosen) == len(columns) else np.searchsorted(columns, chosen)


def blocks_of(problem: Problem, moved: Moving, variables: Array, slopes: bool) -> list[Block]:
    """Everything that costs at the variables of a fit, block by block."""
    now = moved.at(variables, slopes)
    return acoustic_blocks(problem, now) + _filter_costs(problem, moved, variables, now)


def residuals(
    problem: Problem, state: State, free: Free, variables: Array, slopes: bool = True
) -> tuple[Array, Array]:
    """Weighted distances (m,) and their slopes (m, n) at the variables of a fit.

    Without `slopes` these are zero.
    """
    moved = problem.moving(state, free)
    blocks = blocks_of(problem, moved, variables, slopes)
    jacobian = np.zeros((sum(len(b.error) for b in blocks), free.count))
    first = 0
    for block in blocks:
        jacobian[first : first + len(block.error), block.columns] = block.slopes.T
        first += len(block.error)
    return np.concatenate([b.error for b in blocks]), jacobian


def acoustic_blocks(problem: Problem, now: Electrical) -> list[Block]:
    """Distances and slopes of all that is heard, block by block."""
    heard = Heard(problem, now)
    blocks = _goals(problem.goals, heard)
    blocks += [_match(match, heard) for match in problem.matches]
    return blocks + [block for spread in problem.spreads for block in _spread(spread, heard)]


def _goals(goals: Sequence[Goal], heard: Heard) -> list[Block]:
    """Distances from the aims after fitting one level for each channel."""
    blocks = []
    for channel in dict.fromkeys(goal.channel for goal in goals):
        columns = heard.columns(channel)
        errors, slopes, weights = [], [], []
        for goal in (goal for goal in goals if goal.channel == channel):
            level, slope = heard.levels(channel, goal.rows)
            errors.append((level - goal.wanted_db).ravel())
            slopes.append(slope.reshape(len(columns), level.size))
            weights.append(goal.weights.ravel())
        error, slope, weight = (_joined(parts) for parts in (errors, slopes, weights))
        share = weight**2 / max(float(weight @ weight), 1e-300)
        error, slope = _without_level(share, error, slope)
        slope *= weight
        blocks.append(Block(weight * error, slope, columns))
    return blocks


def _joined(parts: Sequence[Array]) -> Array:
    """The parts one after the other along their last axis."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)


def _without_level(share: Array, error: Array, slope: Array) -> tuple[Array, Array]:
    """Distances and slopes less their mean with the given shares; the slopes in place."""
    slope -= (slope @ share)[:, None]
    return error - share @ error, slope


def _spread(spread: Spread, heard: Heard) -> list[Block]:
    """Deviations of every seat from the seats' mean, and the level lost."""
    columns = heard.columns(spread.channel)
    level, slope = heard.levels(spread.channel, spread.rows)
    error = level - np.einsum("s,sr->r", spread.seats, level)
    slope = slope - np.einsum("s,nsr->nr", spread.seats, slope)[:, None]
    weight = np.sqrt(spread.seats / level.shape[1])[:, None] * spread.weight
    whole, whole_slope = (v[..., 0, :] for v in heard.levels(spread.channel, spread.whole))
    loss = spread.full_db - whole
    over = np.maximum(loss - spread.allowed_db, 0)
    less, much = spread.loss_weight * spread.weight, OVER_WEIGHT * spread.weight
    seats = Block(
        (weight * error).ravel(), (weight * slope).reshape(len(columns), level.size), columns
    )
    return [
        seats,
        Block(less * loss, -less * whole_slope, columns),
        Block(much * over, -much * (over > 0) * whole_slope, columns),
    ]


def _match(match: Match, heard: Heard) -> Block:
    columns = heard.columns(match.left, match.right)
    left, left_slope = heard.levels(match.left, match.rows)
    right, right_slope = heard.levels(match.right, match.rows)
    slope = np.zeros((len(columns), *left.shape))
    slope[_slots(columns, heard.columns(match.left))] += left_slope
    slope[_slots(columns, heard.columns(match.right))] -= right_slope
    slope = slope.reshape(len(columns), left.size)
    weight, share = match.weights.ravel(), match.level.ravel()
    error, slope = _without_level(share, (left - right).ravel(), slope)
    over = np.abs(error) > match.tolerance_db
    excess = np.where(over, error - np.sign(error) * match.tolerance_db, 0.0)
    hinge = match.excess_weight * weight
    return Block(
        np.concatenate([weight * error, hinge * excess]),
        np.concatenate([weight * slope, (hinge * over) * slope], axis=1),
        columns,
    )


def _filter_costs(
    problem: Problem, moved: Moving, variables: Array, now: Electrical
) -> list[Block]:
    """Gains of filters cost a little, boost beyond the limit a lot."""
    if not moved.kinds:
        return []
    first = len(moved.free.gains) + len(moved.free.delays)
    columns = np.arange(first + 2, len(variables), 3)
    weight = problem.gain_weight
    costs = [Block(weight * variables[columns], weight * np.eye(len(columns)), columns)]
    sizes = np.abs(now.response)
    limits_db = problem.boost_limit_db + now.gains_db
    for output in np.flatnonzero(2 * DB * np.log(sizes.max(axis=1)) > limits_db).tolist():
        if len(moved.on[output]):
            limit_db = float(limits_db[output])
            costs.append(_boost(problem, now, output, sizes[output], limit_db, first))
    most_db = problem.boost_limit_db + most_beyond_db(problem.boost_limit_db)
    for output, lift in now.lifts.items():
        if lift.size.max() > np.exp(most_db / (2 * DB)):
            costs.append(_boost(problem, now, output, lift.size, most_db, first, lift.boosting))
    return costs


def _boost(
    problem: Problem,
    now: Electrical,
    output: int,
    size: Array,
    limit_db: float,
    first: int,
    boosting: NDArray[np.bool_] | None = None,
) -> Block:
    """What a magnitude (k,) of an output costs beyond a limit, by its (boosting) sections.

    first: the first variable of sections.
    """
    over = np.flatnonzero(size > np.exp(limit_db / (2 * DB)))
    value = problem.boost_weight * (2 * DB * np.log(size[over]) - limit_db)
    if not now.places:
        return Block(value, np.zeros((0, len(over))), np.zeros(0, dtype=np.intp))
    own = now.places[output] >= first
    slope = now.slopes[output][own][:, over].real * (2 * DB * problem.boost_weight)
    if boosting is not None:
        slope = slope * np.repeat(boosting, 3)[:, None]
    return Block(value, slope, now.places[output][own])


def most_beyond_db(limit_db: float) -> float:
    """By how much boosts alone may exceed the limit of what is left after the cuts."""
    return min(MOST_BEYOND_DB, limit_db / 2)


def fitted(
    problem: Problem, state: State, free: Free, steps: int = 30, tolerance: float = 1e-4
) -> tuple[State, float]:
    """The state after a bounded least-squares fit of its free values, and its cost."""
    start, lower, upper = packed(state, free)
    found = best_variables(problem, state, free, (start, lower, upper), steps, tolerance)
    return unpacked(state, free, found.variables), found.cost


def best_variables(
    problem: Problem,
    state: State,
    free: Free,
    bounded: tuple[Array, Array, Array],
    steps: int,
    tolerance: float = 1e-4,
) -> Fit:
    """The least-squares fit of a state's free values from a start within bounds."""
    moved = problem.moving(state, free)

    def model(variables: Array, slopes: bool) -> Quadratic:
        return _summed(blocks_of(problem, moved, variables, slopes), len(variables) * slopes)

    return minimise(model, *bounded, steps, tolerance)


def _summed(blocks: Sequence[Block], count: int) -> Quadratic:
    """The quadratic of all blocks together, for `count` variables (0: its value alone)."""
    cost = 0.5 * sum(float(block.error @ block.error) for block in blocks)
    gradient, normal = np.zeros(count), np.zeros((count, count))
    for block in blocks if count else ():
        if len(block.columns) == count:
            gradient += block.slopes @ block.error
            normal += block.slopes @ block.slopes.T
        else:
            gradient[block.columns] += block.slopes @ block.error
            normal[np.ix_(block.columns, block.columns)] += block.slopes @ block.slopes.T
    return Quadratic(cost, gradient, normal)


def cost_of(problem: Problem, state: State) -> float:
    """Half the sum of squares at a state."""
    free = Free(sections=tuple(range(len(state.sections))))
    moved = problem.moving(state, free)
    blocks = blocks_of(problem, moved, packed(state, free)[0], False)
    return 0.5 * sum(float(block.error @ block.error) for block in blocks)


def costs_without(problem: Problem, state: State, places: Sequence[int]) -> list[float]:
    """Half the sums of squares without one of the sections at the places, each in turn."""
    if not places:
        return []
    free = Free(sections=tuple(range(len(state.sections))))
    moved, variables = problem.moving(state, free), packed(state, free)[0]
    whole, costs = moved.at(variables, False), []
    each = moved.each(variables)[0]
    for place in places:
        response, values = whole.response.copy(), variables.copy()
        response[list(state.sections[place].outputs)] /= each[place]
        values[3 * place + 2] = 0.0
        now = replace(whole, response=response, lifts=moved.lifts(values, each))
        blocks = acoustic_blocks(problem, now) + _filter_costs(problem, moved, values, now)
        costs.append(0.5 * sum(float(block.error @ block.error) for block in blocks))
    return costs
