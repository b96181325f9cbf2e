"""The equaliser: sections added one by one where they help most, always fitted jointly.

Growing alone ends where the order of adding led it. So it grows beyond the
number allowed and drops the least useful ones again, then the other way round,
and in the end moves sections to where they help more. Broad sections that work
against each other are a dead end of the fit: while sections come and go their
gains cost more than in the end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roomtune.advisor.objective import Problem, cost_of, costs_without, fitted
from roomtune.advisor.palette import Ground, Palette, Rules, at_mode, most_useful, palette_of
from roomtune.advisor.state import Free, Section, State

HOPELESS = 4.0
TRIED, BEYOND, FEWER, SUSPECTS = 3, 2, 3, 3
CAUTIOUS, WARY = 0.01, 0.004
QUICK_STEPS, DROP_STEPS, STEPS = 5, 3, 20
WORTH, FINAL, FINE, LONG, MOVES = 1 - 1e-3, 1e-8, 1e-6, 200, 8


@dataclass(frozen=True, eq=False)
class _Work:
    """What all steps of one search share; all sections of a state are its own."""

    problem: Problem
    palette: Palette
    rules: Rules
    gains: tuple[tuple[int, ...], ...]

    def fitted(self, state: State, steps: int, tolerance: float = 1e-4) -> tuple[State, float]:
        """All sections and gains fitted together, and the cost."""
        free = Free(gains=self.gains, sections=tuple(range(len(state.sections))))
        return fitted(self.problem, state, free, steps, tolerance)

    def useful(self, state: State, per_output: int, most: int) -> list[Section]:
        """The most useful sections that have room."""
        places = self.palette.open_places(state, per_output)
        return most_useful(self.problem, state, self.palette, places, most) if len(places) else []

    def by_loss(self, state: State, places: Sequence[int]) -> list[int]:
        """The places in the order of what dropping the section there costs, least first."""
        costs = costs_without(self.problem, state, places)
        return [places[i] for i in np.argsort(costs, kind="stable").tolist()]


def grown(
    problem: Problem,
    state: State,
    grounds: Sequence[Ground],
    rules: Rules,
    gains: Sequence[tuple[int, ...]] = (),
    exchanges: int = 4,
) -> State:
    """Add sections while one is worth its benefit, refitting all of the state's sections.

    Cost falls by at least `rules.benefit` for each section kept. Output gains
    in `gains` (groups that move together) are fitted along. Up to `exchanges`
    moves of a section to another place are tried at the end.
    """
    work = _Work(problem, palette_of(problem, grounds, rules), rules, tuple(gains))
    most = rules.per_output
    weight = max(problem.gain_weight, CAUTIOUS)
    state, cost = _regrown(work, state, weight, (most + BEYOND, most))
    weight = max(problem.gain_weight, WARY)
    for number in (max(most - FEWER, 0), most + BEYOND):
        if any(len(state.on(o)) >= most for ground in grounds for o in ground.outputs):
            trial, new = _regrown(work, state, weight, (number, most))
            if new < cost * WORTH:
                state, cost = trial, new
    return work.fitted(_exchanged(work, state, cost, exchanges), QUICK_STEPS, FINAL)[0]


def planted(
    problem: Problem,
    state: State,
    grounds: Sequence[Ground],
    rules: Rules,
    gains: Sequence[tuple[int, ...]] = (),
) -> State:
    """Sections added one by one while each is worth its benefit: a start for `regrown`."""
    if not grounds:
        return state
    work = _Work(problem, palette_of(problem, grounds, rules), rules, tuple(gains))
    return _regrown(work, state, max(problem.gain_weight, WARY), (rules.per_output,))[0]


def regrown(
    problem: Problem,
    state: State,
    grounds: Sequence[Ground],
    rules: Rules,
    gains: Sequence[tuple[int, ...]],
    change: int,
) -> State:
    """The state grown to `change` sections more (or fewer) and back, where that is better.

    Sections are then moved to where they help more, and all is fitted to the end.
    """
    work = _Work(problem, palette_of(problem, grounds, rules), rules, tuple(gains))
    most = rules.per_output
    numbers = (max(most + change, 0), most)
    found, cost = _regrown(work, state, max(problem.gain_weight, WARY), numbers)
    found = _exchanged(work, found, cost, MOVES)
    found, cost = work.fitted(found, LONG, FINE)
    return found if cost < cost_of(problem, state) else state


def _regrown(
    work: _Work, state: State, gain_weight: float, numbers: Sequence[int]
) -> tuple[State, float]:
    """As many sections on each output as the numbers say, one after the other."""
    wary = replace(work, problem=replace(work.problem, gain_weight=gain_weight))
    for number in numbers:
        state = _within(wary, state, number)
        state, _ = _added(wary, state, cost_of(wary.problem, state), number)
    return work.fitted(state, STEPS)


def _added(work: _Work, state: State, cost: float, per_output: int) -> tuple[State, float]:
    """Sections added while one is worth it and there is room."""
    while True:
        for section in work.useful(state, per_output, TRIED):
            trial, new = work.fitted(state.with_section(section), QUICK_STEPS)
            if new < cost - work.rules.benefit and new < cost:
                state, cost = trial, new
                break
        else:
            return state, cost


def _within(work: _Work, state: State, per_output: int) -> State:
    """The least useful sections dropped until no output has more than it may."""
    while True:
        full = {o for o in range(len(state.gains_db)) if len(state.on(o)) > per_output}
        if not full:
            return state
        places = [p for p, s in enumerate(state.sections) if not full.isdisjoint(s.outputs)]
        trials = [
            work.fitted(without(state, place), DROP_STEPS)
            for place in work.by_loss(state, places)[:SUSPECTS]
        ]
        state, _ = min(trials, key=lambda trial: trial[1])


def _exchanged(work: _Work, state: State, cost: float, trials: int) -> State:
    """Sections moved, one at a time, to where they help more."""
    while True:
        for place, section in _moves(work, state):
            if not trials:
                return state
            trials -= 1
            trial, new = work.fitted(without(state, place).with_section(section), QUICK_STEPS)
            if cost * WORTH <= new < 1.5 * cost:
                trial, new = work.fitted(trial, STEPS)
            if new < cost * WORTH:
                state, cost = trial, new
                break
        else:
            return state


def _moves(work: _Work, state: State) -> list[tuple[int, Section]]:
    """Places of the least useful sections and what could come instead, most promising first."""
    moves = []
    suspects = work.by_loss(state, range(len(state.sections)))[: SUSPECTS + 1]
    for rank, place in enumerate(suspects):
        left = without(state, place)
        useful = work.useful(left, work.rules.per_output, 2)
        moves += [(rank + 2 * second, place, item) for second, item in enumerate(useful)]
    moves.sort(key=lambda move: move[0])
    return [(place, section) for _, place, section in moves]


def pruned(problem: Problem, state: State, places: Sequence[int], rules: Rules) -> State:
    """Drop sections whose removal costs less than their benefit, refitting the rest."""
    kept = list(places)
    tried: set[int] = set()
    cost = cost_of(problem, state)
    while True:
        left = [place for place in kept if place not in tried]
        costs = dict(zip(left, costs_without(problem, state, left), strict=True))
        if not costs or min(costs.values()) > cost + HOPELESS * rules.benefit:
            return state
        place = min(costs, key=lambda item: (costs[item], item))
        left = [p - (p > place) for p in kept if p != place]
        trial, new = fitted(problem, without(state, place), Free(sections=tuple(left)), steps=4)
        if new < cost + rules.benefit / 2:
            state, cost, kept = trial, new, left
            tried = {p - (p > place) for p in tried}
        else:
            tried.add(place)


def tied_to_modes(
    problem: Problem, state: State, rules: Rules, together: Sequence[int] = ()
) -> State:
    """Cuts on modes made such that they shorten the ringing, where the level allows it.

    Each may cost as much as a section is worth. Outputs that play `together` excite a
    mode together: a cut on some of them alone leaves it ringing by the others.
    """
    others = set(together)
    cost = cost_of(problem, state)
    free = Free(sections=tuple(range(len(state.sections))))
    for place, section in enumerate(state.sections):
        shared = others.isdisjoint(section.outputs) or others <= set(section.outputs)
        tied = at_mode(section, rules) if shared else None
        if tied is not None:
            sections = (*state.sections[:place], tied, *state.sections[place + 1 :])
            trial, new = fitted(problem, replace(state, sections=sections), free, QUICK_STEPS)
            if new < cost + rules.benefit:
                state, cost = trial, new
    return state


def without(state: State, place: int) -> State:
    """The state without one of its sections."""
    return replace(state, sections=tuple(s for p, s in enumerate(state.sections) if p != place))
