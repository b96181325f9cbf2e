"""Values put on the processor's steps one after another, the others making up for each.

Rounding all at once costs far more than it must: a gain half a step off can be
made up for by its neighbours. So gains of outputs are rounded first, then gains of
sections, then their Qs and frequencies, and what is not rounded yet is fitted again.
Within each of these, one value is rounded at a time and the rest follows to the least
of the quadratic that the fit is about there (rounding off for integer least squares:
L. Babai, Combinatorica 6(1), 1-13, 1986).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains, problem_for
from roomtune.advisor.boosts import within_boost
from roomtune.advisor.equalising import bounded
from roomtune.advisor.objective import Problem, best_variables, cost_of, residuals
from roomtune.advisor.pinning import held_places
from roomtune.advisor.state import Free, State, packed, unpacked
from roomtune.advisor.stepping import put_together, taken_apart
from roomtune.processor.rounding import rounded, rounded_frequency, rounded_to
from roomtune.processor.tuning import Tuning
from roomtune.system.model import Processor

Array = NDArray[np.float64]
# how far a value may move: log frequency, log Q, gain in dB; gain of an output in dB
REACH, GAIN_REACH_DB = (0.05, 0.2, 1.0), 2.0
STEPS = 20
MARGINS_DB = (0.1, 0.3, 0.5)
DAMPINGS = (0.01, 1.0)


@dataclass(frozen=True, eq=False)
class _Knobs:
    """Variables of a fit as the processor's knobs hold them.

    gains_db: of the outputs whose gains come first among the variables.
    """

    processor: Processor
    gains_db: tuple[float, ...]

    def nearest(self, variable: int, value: float) -> float:
        """The value that a knob can take nearest to one."""
        processor, count = self.processor, len(self.gains_db)
        if variable < count:
            held = self.gains_db[variable]
            return rounded_to(held + value, processor.gain_db) - held
        field = (variable - count) % 3
        if field == 0:
            return float(np.log(rounded_frequency(float(np.exp(value)), processor)))
        if field == 1:
            return float(np.log(rounded_to(float(np.exp(value)), processor.filter_q)))
        return rounded_to(value, processor.filter_gain_db)


def settled_within_boost(aims: Aims, tuning: Tuning) -> Tuning:
    """The tuning on its steps, no output boosted beyond the wish.

    Where boosts had to be taken back, the rest makes up for it as far as it can,
    from further and further within the wish.
    """
    for margin_db in MARGINS_DB:
        found = settled(aims, tuning, margin_db)
        tuning = within_boost(aims.system, found)
        if tuning == found:
            break
    return tuning


def settled(aims: Aims, tuning: Tuning, margin_db: float = 0.0) -> Tuning:
    """The tuning on its steps, output gains and movable filters fitted again to all the rest.

    Crossovers, delays, polarities and routes are left alone, and so are pinned gains.
    """
    held = rounded(tuning, aims.system.processor)
    (bare, _), (_, state) = taken_apart(aims, held), taken_apart(aims, tuning)
    state = replace(state, sections=bounded(aims, tuning, state.sections))
    problem = replace(
        problem_for(aims, bare),
        base=base_gains(aims, bare, whole_samples=True),
        boost_limit_db=aims.system.wishes.maximum_boost_db - margin_db,
    )
    names = aims.model.outputs
    pinned = held_places(aims.system, names, "gains")
    moving = [place for place in range(len(names)) if place not in pinned]
    free = Free(
        gains=tuple((place,) for place in moving), sections=tuple(range(len(state.sections)))
    )
    gains = tuple(held.output(names[place]).gain_db for place in moving)
    knobs = _Knobs(aims.system.processor, gains)
    values = _in_turn(problem, state, free, knobs)
    found = put_together(aims, held, unpacked(state, free, values))
    return rounded(found, aims.system.processor)


def _in_turn(problem: Problem, state: State, free: Free, knobs: _Knobs) -> Array:
    """All variables, group after group on their steps."""
    values, lower, upper = _nearby(state, free)
    first = len(free.gains)
    filters = np.arange(first, len(values)).reshape(-1, 3)
    for group in (np.arange(first), filters[:, 2], filters[:, 1], filters[:, 0]):
        values = best_variables(problem, state, free, (values, lower, upper), STEPS).variables
        values = _rounded(
            problem, state, free, (values, lower, upper), group.tolist(), knobs.nearest
        )
        lower[group] = upper[group] = values[group]
    return values


def _nearby(state: State, free: Free) -> tuple[Array, Array, Array]:
    """Variables and their bounds, not far from where they are."""
    values, lower, upper = packed(state, free)
    count = len(free.gains)
    reach = np.concatenate([np.full(count, GAIN_REACH_DB), np.tile(REACH, len(free.sections))])
    return values, np.maximum(lower, values - reach), np.minimum(upper, values + reach)


def _rounded(
    problem: Problem,
    state: State,
    free: Free,
    bounded: tuple[Array, Array, Array],
    group: Sequence[int],
    nearest: Callable[[int, float], float],
) -> Array:
    """The variables with those of a group on their steps: the best of some dampings.

    Where the fit is far from a quadratic, the rest must follow less.
    """
    values, lower, upper = bounded
    _, slopes = residuals(problem, state, free, values)
    loose = np.flatnonzero(lower < upper)
    normal = (slopes.T @ slopes)[np.ix_(loose, loose)]
    trials = []
    for damping in DAMPINGS:
        spread = np.zeros((len(values), len(values)))
        damped = normal + np.diag(damping * normal.diagonal() + 1e-9)
        spread[np.ix_(loose, loose)] = np.linalg.inv(damped)
        trial = np.clip(_one_by_one(values, spread, group, nearest), lower, upper)
        trial[group] = [nearest(place, float(trial[place])) for place in group]
        trials.append((cost_of(problem, unpacked(state, free, trial)), trial))
    return min(trials, key=lambda each: each[0])[1]


def _one_by_one(
    values: Array, spread: Array, group: Sequence[int], nearest: Callable[[int, float], float]
) -> Array:
    """The group rounded, always next what costs least, the rest following each.

    `spread`: inverse of the normal matrix; what may not move has zeros there.
    """
    values, spread, left = values.copy(), spread.copy(), list(group)
    while left:
        away = np.array([nearest(place, float(values[place])) - values[place] for place in left])
        width = np.maximum(spread[left, left], 1e-30)
        chosen = int(np.argmin(away**2 / width))
        place, move = left.pop(chosen), float(away[chosen])
        if spread[place, place] > 0:
            follow = spread[:, place] / spread[place, place]
            values += follow * move
            spread -= np.outer(follow, spread[place])
        values[place] = nearest(place, float(values[place]))
    return values
