"""The equaliser: sections added one by one where they help most, always fitted jointly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import TRANSITION_HZ
from roomtune.advisor.objective import Problem, acoustic_blocks, cost_of, fitted
from roomtune.advisor.sections import section_responses
from roomtune.advisor.state import Electrical, Free, Section, State, bank_of, electrical
from roomtune.processor.tuning import FilterType
from roomtune.system.model import Processor

Array = NDArray[np.float64]
SMALLEST_BENEFIT = 0.012
QS_BELOW, QS_ABOVE = (1.0, 2.5, 5.0, 10.0), (0.7, 1.5, 3.0)
HIGHEST_Q_BELOW, HIGHEST_Q_ABOVE = 16.0, 4.5
BROADEST_CUT_Q = 3.0
HOPELESS = 4.0
TRIED = 3


@dataclass(frozen=True)
class Ground:
    """Where sections may be put: outputs that share them, and the band in which."""

    outputs: tuple[int, ...]
    band_hz: tuple[float, float]


@dataclass(frozen=True)
class Rules:
    """What sections may be: types, bounds, how many per output, what benefit is worth one."""

    processor: Processor
    boost_db: float
    per_output: int
    benefit: float = SMALLEST_BENEFIT


def grown(
    problem: Problem,
    state: State,
    grounds: Sequence[Ground],
    rules: Rules,
    gains: Sequence[tuple[int, ...]] = (),
    most: int = 40,
    exchanges: int = 4,
) -> State:
    """Add sections while one is worth its benefit, refitting all of the grounds' sections.

    Cost falls by at least `rules.benefit` for each section kept. Output gains
    in `gains` (groups that move together) are fitted along. At the end up to
    `exchanges` sections move to where they help more.
    """
    touched = {output for ground in grounds for output in ground.outputs}
    own = [p for p, s in enumerate(state.sections) if touched & set(s.outputs)]
    cost = cost_of(problem, state)
    for _ in range(most):
        grownby = _one_more(problem, state, cost, own, grounds, rules, gains)
        if grownby is None:
            break
        state, cost = grownby
        own.append(len(state.sections) - 1)
    free = Free(gains=tuple(gains), sections=tuple(own))
    state, cost = fitted(problem, state, free, steps=20)
    for _ in range(exchanges):
        trial, new = _exchanged(problem, state, grounds, rules, free)
        if not new < cost * (1 - 1e-3):
            break
        state, cost = trial, new
    return state


def _one_more(
    problem: Problem,
    state: State,
    cost: float,
    own: Sequence[int],
    grounds: Sequence[Ground],
    rules: Rules,
    gains: Sequence[tuple[int, ...]],
) -> tuple[State, float] | None:
    """The state with one more section that is worth it, and its cost; None when none is."""
    candidates = _candidates(state, grounds, rules)
    if not candidates:
        return None
    free = Free(gains=tuple(gains), sections=(*own, len(state.sections)))
    for section in _most_useful(problem, state, candidates):
        trial, new = fitted(problem, state.with_section(section), free, steps=5)
        if new < cost - rules.benefit:
            return trial, new
    return None


def _exchanged(
    problem: Problem, state: State, grounds: Sequence[Ground], rules: Rules, free: Free
) -> tuple[State, float]:
    """The state with its least useful section put where it helps most, refitted."""
    if not free.sections:
        return state, np.inf
    costs = [
        cost_of(problem, replace(state, sections=_without(state, place))) for place in free.sections
    ]
    worst = free.sections[int(np.argmin(costs))]
    left = replace(state, sections=_without(state, worst))
    candidates = _candidates(left, grounds, rules)
    if not candidates:
        return state, np.inf
    moved = left.with_section(_most_useful(problem, left, candidates)[0])
    places = (*(p - (p > worst) for p in free.sections if p != worst), len(left.sections))
    return fitted(problem, moved, replace(free, sections=places), steps=20)


def _candidates(state: State, grounds: Sequence[Ground], rules: Rules) -> tuple[Section, ...]:
    """Neutral sections on a grid of frequency and Q on every ground with room for one more."""
    found: list[Section] = []
    for ground in grounds:
        if any(len(state.on(output)) >= rules.per_output for output in ground.outputs):
            continue
        low, high = ground.band_hz
        count = max(int(np.log2(high / low) * 6) + 1, 2)
        for frequency in np.geomspace(low, high, count):
            qs = QS_BELOW if frequency < TRANSITION_HZ else QS_ABOVE
            found += [section_at("peaking", ground.outputs, frequency, q, rules) for q in qs]
        for kind in ("low shelf", "high shelf"):
            if kind in rules.processor.filter_types:
                ends = np.geomspace(1.5 * low, high / 1.5, 5) if high > 4 * low else ()
                found += [section_at(kind, ground.outputs, f, 0.7, rules) for f in ends]
    return tuple(found)


def section_at(
    kind: FilterType, outputs: tuple[int, ...], frequency_hz: float, q: float, rules: Rules
) -> Section:
    """A neutral section with its bounds: narrow ones only below the transition, and less
    boost the narrower."""
    processor = rules.processor
    below = frequency_hz < TRANSITION_HZ
    highest = min(HIGHEST_Q_BELOW if below else HIGHEST_Q_ABOVE, processor.filter_q.maximum)
    lowest = max(processor.filter_q.minimum, 0.4)
    reach = 2.0 if q < 1.4 else 1.5
    q_low = min(max(q / 3, lowest), highest)
    q_high = min(max(q * 2.5, q_low), highest)
    boost = min(rules.boost_db, processor.filter_gain_db.maximum, _boost_db(q, below))
    if boost > 0:
        q_high = min(q_high, max(BROADEST_CUT_Q, q))
    low_hz = max(frequency_hz / reach, processor.filter_frequency_hz.minimum)
    high_hz = min(frequency_hz * reach, processor.filter_frequency_hz.maximum)
    if not below:
        low_hz = max(low_hz, TRANSITION_HZ / 1.2)
    return Section(
        kind,
        outputs,
        (log(frequency_hz), log(min(max(q, q_low), q_high)), 0.0),
        (log(low_hz), log(q_low), max(processor.filter_gain_db.minimum, -15.0)),
        (log(high_hz), log(q_high), float(boost)),
    )


def _boost_db(q: float, below: bool) -> float:
    """Most boost of a section: broad ones up to 6 dB, narrow ones only above the transition,
    where they level one loudspeaker with another, and below it none."""
    if q <= 1.5:
        return 12.0
    if below:
        return 4.0 if q <= BROADEST_CUT_Q else 0.0
    return 4.0


def _most_useful(problem: Problem, state: State, candidates: tuple[Section, ...]) -> list[Section]:
    """The few candidates whose best gains lower the cost most, to first order, best first.

    At their gains; none within a third of an octave of a better one on the same
    outputs. At least one.
    """
    frequencies = problem.model.centres_hz
    _, slopes = section_responses(bank_of(candidates), frequencies, problem.rate_hz)
    now = electrical(state, Free(), frequencies, problem.rate_hz, False)
    outputs = range(len(state.gains_db))
    places = tuple(
        np.array([p for p, c in enumerate(candidates) if o in c.outputs], dtype=np.intp)
        for o in outputs
    )
    probe = Electrical(now.response, tuple(slopes[2][p] for p in places), places)
    blocks = acoustic_blocks(problem, probe, len(candidates))
    gradient = sum(jacobian.T @ error for error, jacobian in blocks)
    bend = sum(np.sum(jacobian**2, axis=0) for _, jacobian in blocks)
    bend = bend + problem.gain_weight**2 + 1e-12
    low = np.array([c.lower[2] for c in candidates])
    high = np.array([c.upper[2] for c in candidates])
    gain = np.clip(-gradient / bend, low, high) * 0.8
    drop = -(gradient * gain + 0.5 * bend * gain**2)
    found: list[Section] = []
    for place in np.argsort(-drop, kind="stable").tolist():
        item = candidates[place]
        if all(_apart(item, other) for other in found):
            values = (item.values[0], item.values[1], float(gain[place]))
            found.append(replace(item, values=values))
        if len(found) == TRIED:
            break
    return found


def _apart(one: Section, other: Section) -> bool:
    """Whether two sections lie on different outputs or a third of an octave apart."""
    distance = abs(one.values[0] - other.values[0])
    return one.outputs != other.outputs or distance > log(2) / 3


def pruned(problem: Problem, state: State, places: Sequence[int], rules: Rules) -> State:
    """Drop sections whose removal costs less than their benefit, refitting the rest."""
    kept = list(places)
    tried: set[int] = set()
    cost = cost_of(problem, state)
    while True:
        costs = {
            place: cost_of(problem, replace(state, sections=_without(state, place)))
            for place in kept
            if place not in tried
        }
        if not costs or min(costs.values()) > cost + HOPELESS * rules.benefit:
            return state
        place = min(costs, key=lambda item: (costs[item], item))
        trial = replace(state, sections=_without(state, place))
        left = [p - (p > place) for p in kept if p != place]
        trial, new = fitted(problem, trial, Free(sections=tuple(left)), steps=4)
        if new < cost + rules.benefit / 2:
            state, cost, kept = trial, new, left
            tried = {p - (p > place) for p in tried}
        else:
            tried.add(place)


def _without(state: State, place: int) -> tuple[Section, ...]:
    return tuple(s for p, s in enumerate(state.sections) if p != place)
