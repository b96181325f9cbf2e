"""The last touch: single steps of the processor's knobs, where one still helps.

After rounding, every gain, frequency and Q sits on a step. The slopes of the
cost say which single step promises most; it is tried and kept when the cost
really falls.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains, problem_for
from roomtune.advisor.boosts import MOVABLE, WITHIN_DB, boost_db
from roomtune.advisor.objective import Problem, cost_of, residuals
from roomtune.advisor.pinning import held_places
from roomtune.advisor.settings import with_outputs
from roomtune.advisor.state import Free, Section, State, neutral, packed, unpacked
from roomtune.processor.rounding import rounded_frequency, rounded_to
from roomtune.processor.tuning import Filter, Tuning
from roomtune.system.model import Processor

Array = NDArray[np.float64]
MOST_STEPS = 120
SMALLEST_GAIN = 2e-3


@dataclass(frozen=True)
class _Step:
    """A single step of one variable of the fit, by how much it changes it."""

    variable: int
    change: float


def stepped(aims: Aims, tuning: Tuning) -> Tuning:
    """The tuning after single steps of filters and output gains that lower the cost.

    The tuning is on the processor's steps and stays so. Crossovers, delays,
    polarities and routes are left alone.
    """
    bare, state = taken_apart(aims, tuning)
    problem = replace(problem_for(aims, bare), base=base_gains(aims, bare, whole_samples=True))
    free = Free(
        gains=tuple((place,) for place in range(len(aims.model.outputs))),
        sections=tuple(range(len(state.sections))),
    )
    cost = cost_of(problem, state)
    refused: set[tuple[int, bool]] = set()
    for _ in range(MOST_STEPS):
        step = _best_step(aims, problem, bare, state, free, refused)
        if step is None:
            break
        variables = packed(state, free)[0]
        variables[step.variable] += step.change
        trial = unpacked(state, free, variables)
        new = cost_of(problem, trial)
        if new < cost - SMALLEST_GAIN / 2 and _within_boost(aims, state, trial):
            state, cost, refused = trial, new, set()
        else:
            refused.add((step.variable, step.change > 0))
    return put_together(aims, tuning, state)


def _within_boost(aims: Aims, state: State, trial: State) -> bool:
    """Whether a trial keeps every output's summed boost within the wish, or does not raise it."""
    rate_hz, limit = aims.measured.responses.sample_rate_hz, aims.system.wishes.maximum_boost_db
    for output in range(len(aims.model.outputs)):
        now, then = (tuple(s.filter for s in each.on(output)) for each in (state, trial))
        if now != then:
            allowed = max(limit + WITHIN_DB, boost_db(now, rate_hz, limit)[0])
            if boost_db(then, rate_hz, limit)[0] > allowed:
                return False
    return True


def taken_apart(aims: Aims, tuning: Tuning) -> tuple[Tuning, State]:
    """The tuning without its movable filters, and these as a state."""
    sections, bare = [], {}
    for place, name in enumerate(aims.model.outputs):
        setting = tuning.output(name)
        kept = tuple(f for f in setting.filters if f.type not in MOVABLE)
        bare[name] = replace(setting, filters=kept)
        sections += [
            _section(f, place, aims.system.processor) for f in setting.filters if f.type in MOVABLE
        ]
    state = replace(neutral(len(aims.model.outputs)), sections=tuple(sections))
    return with_outputs(tuning, bare), state


def _section(item: Filter, place: int, processor: Processor) -> Section:
    values = (
        float(np.log(item.frequency_hz or 1)),
        float(np.log(item.q or 1)),
        item.gain_db or 0.0,
    )
    knobs = processor.filter_frequency_hz, processor.filter_q, processor.filter_gain_db
    lower = (np.log(knobs[0].minimum), np.log(knobs[1].minimum), knobs[2].minimum)
    upper = (np.log(knobs[0].maximum), np.log(knobs[1].maximum), knobs[2].maximum)
    return Section(item.type, (place,), values, lower, upper)


def _best_step(
    aims: Aims,
    problem: Problem,
    bare: Tuning,
    state: State,
    free: Free,
    refused: set[tuple[int, bool]],
) -> _Step | None:
    """The step that promises to lower the cost most, None when none promises enough."""
    error, jacobian = residuals(problem, state, free, packed(state, free)[0])
    gradient, bend = jacobian.T @ error, np.sum(jacobian**2, axis=0)
    best, most = None, SMALLEST_GAIN
    for step in _steps(aims, bare, state):
        if (step.variable, step.change > 0) in refused:
            continue
        change = gradient[step.variable] * step.change
        change += 0.5 * bend[step.variable] * step.change**2
        if -change > most:
            best, most = step, -change
    return best


def _steps(aims: Aims, bare: Tuning, state: State) -> list[_Step]:
    """All single steps within the knobs' ranges and the wishes."""
    processor, found = aims.system.processor, []
    pinned = held_places(aims.system, aims.model.outputs, "gains")
    for place, name in enumerate(aims.model.outputs):
        if place in pinned:
            continue
        held = bare.output(name).gain_db + float(state.gains_db[place])
        found += [
            _Step(place, rounded_to(held + sign * processor.gain_db.step, processor.gain_db) - held)
            for sign in (1, -1)
        ]
    for number, section in enumerate(state.sections):
        first = len(aims.model.outputs) + 3 * number
        frequency, q = np.exp(section.values[:2])
        for sign in (1, -1):
            found += [
                _Step(first, _log_step(frequency, _next_hz(frequency, sign, processor))),
                _Step(
                    first + 1,
                    _log_step(
                        q, rounded_to(q + sign * processor.filter_q.step, processor.filter_q)
                    ),
                ),
            ]
            gain = rounded_to(
                section.values[2] + sign * processor.filter_gain_db.step, processor.filter_gain_db
            )
            if gain <= max(aims.system.wishes.maximum_boost_db, section.values[2]):
                found.append(_Step(first + 2, gain - section.values[2]))
    return [step for step in found if abs(step.change) > 1e-9]


def _log_step(now: float, then: float) -> float:
    return float(np.log(then / now))


def _next_hz(frequency_hz: float, sign: int, processor: Processor) -> float:
    """The neighbouring frequency that the processor can hold."""
    digits = processor.frequency_significant_digits
    coarse = 10.0 ** (np.floor(np.log10(frequency_hz)) - digits + 1) if digits else 0.0
    step = max(processor.filter_frequency_hz.step, float(coarse))
    return rounded_frequency(frequency_hz + sign * step, processor)


def put_together(aims: Aims, tuning: Tuning, state: State) -> Tuning:
    """The tuning with the state's filters and gains, each filter in its old place."""
    changed, taken = {}, iter(state.sections)
    for place, name in enumerate(aims.model.outputs):
        setting = tuning.output(name)
        filters = tuple(next(taken).filter if f.type in MOVABLE else f for f in setting.filters)
        gain = setting.gain_db + float(state.gains_db[place])
        changed[name] = replace(setting, filters=filters, gain_db=gain)
    return with_outputs(tuning, changed)
