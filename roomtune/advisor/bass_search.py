"""The search for the settings of several subwoofers.

A fixed low-discrepancy sequence screens settings of all polarities, with and
without all-pass filters where the processor has them; the best are refined by
least squares, get sections that even out the seats, and are refined again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.bass import Bass
from roomtune.advisor.equaliser import grown
from roomtune.advisor.objective import best_variables, cost_of
from roomtune.advisor.palette import Ground, Rules
from roomtune.advisor.sections import SectionBank, section_responses
from roomtune.advisor.state import Free, Section, State, packed, unpacked

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
LOWEST_HZ = 20.0
REACH_MS, GAIN_REACH_DB = 16.0, 12.0
SECTION_BENEFIT = 0.04
SCREENED, REFINED, FINISHED = 480, 20, 5
PASS_HZ, PASS_Q = (20.0, 400.0), (0.5, 5.0)
ROUNDS = 2


@dataclass(frozen=True, eq=False)
class Setting:
    """Gains, delays and sections (as a state) and polarity signs, and what they cost."""

    state: State
    signs: Array
    cost: float


def best_setting(bass: Bass, rules: Rules | None = None) -> Setting:
    """The setting of least cost; with `rules`, each subwoofer may have sections of its own."""
    with_pass = rules is not None and "all pass" in rules.processor.filter_types
    with_pass = with_pass and rules is not None and rules.per_output > 1
    passed = (0, _passes(bass.count)) if with_pass else (0,)
    found = [_refined(bass, start) for p in passed for start in _screened(bass, p)[:REFINED]]
    found.sort(key=lambda setting: setting.cost)
    if rules is not None:
        found = [_with_sections(bass, setting, rules) for setting in found[:FINISHED]]
    return min(found, key=lambda setting: setting.cost)


def _passes(count: int) -> int:
    """All-passes to try: one on each of three or more, up to 0.5 dB better in random rooms than
    on all but one; on one of two, whose few sections the equaliser needs."""
    return count if count > 2 else count - 1


def _screened(bass: Bass, passed: int) -> list[Setting]:
    """Settings of a sequence, best first; the plain one always stays first.

    The last `passed` subwoofers have an all-pass each.
    """
    n = bass.count
    count = SCREENED * max(n - 1, 1)
    unit = _sequence(count, 3 * n - 2 + 2 * passed)
    delays = np.zeros((count + 1, n)) + bass.start_ms
    signs, gains = np.ones((count + 1, n)), np.zeros((count + 1, n))
    delays[1:, 1:] += (2 * unit[:, : n - 1] - 1) * 0.75 * REACH_MS
    delays = np.clip(delays, *bass.within_ms)
    signs[1:, 1:] = np.where(unit[:, n - 1 : 2 * n - 2] < 0.35, -1, 1)
    gains[1:] = -0.6 * GAIN_REACH_DB * unit[:, 2 * n - 2 : 3 * n - 2] ** 2
    log_hz, log_q = (np.zeros((count + 1, passed)) for _ in range(2))
    low, high = np.log(25.0), np.log(160.0)
    log_hz[1:] = low + (high - low) * unit[:, 3 * n - 2 : 3 * n - 2 + passed]
    log_q[1:] = np.log(0.6) + np.log(4) * unit[:, 3 * n - 2 + passed :]
    log_hz[0] = np.log(PASS_HZ[1])
    costs, allowed_db = [], bass.allowed_db
    for part in np.array_split(np.arange(count + 1), max(count // 240, 1)):
        response = bass.turned(delays[part], signs[part]) * 10 ** (gains[part] / 20)[..., None]
        if passed:
            response[:, n - passed :] *= _passed(bass, log_hz[part], log_q[part])
        costs.append(bass.costs(response, allowed_db))
    cost = np.concatenate(costs)
    order = np.argsort(cost, kind="stable")
    passes = [
        tuple(_all_pass(n - passed + p, log_hz[c, p], log_q[c, p]) for p in range(passed))
        for c in range(count + 1)
    ]
    return [
        Setting(State(gains[c], delays[c], passes[c]), signs[c], float(cost[c]))
        for c in [0, *order[order != 0].tolist()]
    ]


def _passed(bass: Bass, log_hz: Array, log_q: Array) -> Complex:
    """All-pass responses (c, n, k)."""
    kinds = ("all pass",) * log_hz.size
    bank = SectionBank(kinds, log_hz.ravel(), log_q.ravel(), np.zeros(log_hz.size))
    each, _ = section_responses(bank, bass.model.centres_hz, bass.rate_hz, False)
    return each.reshape(*log_hz.shape, -1)


def _all_pass(output: int, log_hz: float, log_q: float) -> Section:
    low, high = (np.log([PASS_HZ[end], PASS_Q[end]]) for end in (0, 1))
    return Section(
        "all pass",
        (output,),
        (float(log_hz), float(log_q), 0.0),
        (float(low[0]), float(low[1]), 0.0),
        (float(high[0]), float(high[1]), 0.0),
    )


def _refined(bass: Bass, setting: Setting, steps: int = 30) -> Setting:
    """All values of a setting fitted together; the first delay stays."""
    n, state = bass.count, setting.state
    problem = bass.problem(bass.turned(np.zeros((1, n)), setting.signs[None])[0])
    each = tuple((place,) for place in range(n))
    free = Free(gains=each, delays=each, sections=tuple(range(len(state.sections))))
    start, lower, upper = packed(state, free)
    lower[:n], upper[:n] = -GAIN_REACH_DB - state.gains_db, -state.gains_db
    away = bass.start_ms - state.delays_ms
    earliest, latest = (edge - state.delays_ms for edge in bass.within_ms)
    lower[n : 2 * n] = np.minimum(np.maximum(away - REACH_MS, earliest), -1e-9)
    upper[n : 2 * n] = np.maximum(np.minimum(away + REACH_MS, latest), 1e-9)
    lower[n], upper[n] = -1e-9, 1e-9
    found = best_variables(problem, state, free, (start, lower, upper), steps, 1e-5)
    return Setting(unpacked(state, free, found.variables), setting.signs, found.cost)


def _with_sections(bass: Bass, setting: Setting, rules: Rules) -> Setting:
    """Sections of single subwoofers where they even out the seats, all refined together."""
    n = bass.count
    problem = bass.problem(bass.turned(np.zeros((1, n)), setting.signs[None])[0])
    top = float(bass.model.centres_hz[-1])
    grounds = [Ground((place,), (LOWEST_HZ, top)) for place in range(n)]
    rules = replace(rules, benefit=SECTION_BENEFIT)
    for _ in range(ROUNDS):
        state = grown(problem, setting.state, grounds, rules)
        cost = cost_of(problem, state)
        if cost >= setting.cost:
            break
        setting = _refined(bass, Setting(state, setting.signs, cost))
    return setting


def _sequence(count: int, width: int) -> Array:
    """Points of an additive recurrence in the unit cube (generalised golden ratio)."""
    ratio = 2.0
    for _ in range(40):
        ratio = (1 + ratio) ** (1 / (width + 1))
    steps = ratio ** -np.arange(1.0, width + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0)
