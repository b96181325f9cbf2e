"""The electrical responses that a state adds, while some of its values move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.sections import SectionBank, Values, section_values
from roomtune.advisor.state import LOG_Q_PER_DB, Free, State, bank_of

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Indices = NDArray[np.intp]
NEPER_DB = np.log(10) / 20


@dataclass(frozen=True, eq=False)
class Lift:
    """Magnitude (k,) of an output's boosting sections alone, and which of its sections they are."""

    size: Array
    boosting: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Electrical:
    """Every output's response (outputs, k), its gains_db (outputs,), and slopes of its logarithm.

    slopes[o]: (variables of o, k) with their places in the vector, places[o].
    `columns`: which variables move any of some channels, as far as asked for before.
    Both are real, magnitudes alone, where phases do not count. `lifts`: of the outputs
    on which sections boost, these alone.
    """

    response: Values
    gains_db: Array
    slopes: tuple[Values, ...]
    places: tuple[Indices, ...]
    columns: dict[tuple[int, ...], Indices] = field(default_factory=dict)
    lifts: dict[int, Lift] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Moving:
    """What a fit needs at every step, with all that stays the same worked out once.

    still: (outputs, k) of what is not free; kinds: of the free sections;
    tied: which of these follow a mode (log Q at 0 dB, else NaN); on[o]: which
    are on output o; places[o]: its variables. Without `phases` only magnitudes are
    worked out.
    """

    state: State
    free: Free
    turn: Complex
    frequencies_hz: Array
    rate_hz: float
    still: Values
    kinds: tuple[str, ...]
    tied: Array
    on: tuple[Indices, ...]
    places: tuple[Indices, ...]
    phases: bool = True
    columns: dict[tuple[int, ...], Indices] = field(default_factory=dict)

    def at(self, variables: Array, with_slopes: bool = True) -> Electrical:
        """Responses at the variables of the fit, without slopes if not wanted."""
        free = self.free
        response, gains = self.still, self.state.gains_db
        if free.gains:
            moved_db = _spread_out(free.gains, variables, len(gains))
            gains = gains + moved_db
            response = response * np.exp(NEPER_DB * moved_db)[:, None]
        if free.delays:
            moved_ms = _spread_out(free.delays, variables[len(free.gains) :], len(gains))
            late = np.flatnonzero(moved_ms)
            response = response if free.gains else response.copy()
            response[late] *= np.exp(self.turn * moved_ms[late, None])
        if not self.kinds:
            slopes = np.zeros((0, 3, len(self.turn)), dtype=complex)
        else:
            each, slopes = self.each(variables, with_slopes)
            response = response.copy() if response is self.still else response
            for output, mine in enumerate(self.on):
                if len(mine):
                    response[output] *= np.prod(_chosen(each, mine), axis=0)
        lifts = self.lifts(variables, each) if self.kinds else {}
        if not with_slopes:
            return Electrical(response, gains, (), (), lifts=lifts)
        return Electrical(
            response,
            gains,
            tuple(self._slopes(output, slopes) for output in range(len(gains))),
            self.places,
            self.columns,
            lifts,
        )

    def lifts(self, variables: Array, each: Values) -> dict[int, Lift]:
        """What boosts on each output, by the responses (m, k) of the free sections."""
        boosts = variables[len(self.free.gains) + len(self.free.delays) + 2 :: 3] > 0
        found = {}
        for output, mine in enumerate(self.on):
            boosting = boosts[mine]
            if boosting.any():
                size = np.abs(each[mine[boosting]]).prod(axis=0)
                found[output] = Lift(size, boosting)
        return found

    def each(self, variables: Array, with_slopes: bool = False) -> tuple[Values, Values]:
        """Responses (m, k) of the free sections, and slopes (m, 3, k) of their logarithms."""
        values = variables[len(self.free.gains) + len(self.free.delays) :].reshape(-1, 3)
        follows = np.isfinite(self.tied)
        log_q = np.where(follows, self.tied + LOG_Q_PER_DB * values[:, 2], values[:, 1])
        bank = SectionBank(self.kinds, values[:, 0], log_q, values[:, 2])
        each, slopes = section_values(
            bank, self.frequencies_hz, self.rate_hz, self.phases, with_slopes
        )
        if with_slopes and follows.any():
            slopes[follows, 2] += LOG_Q_PER_DB * slopes[follows, 1]
            slopes[follows, 1] = 0.0
        return each, slopes

    def _slopes(self, output: int, slopes: Values) -> Values:
        """Slopes of an output's logarithm by its variables, (v, k)."""
        flat = np.full(len(self.turn), NEPER_DB, dtype=complex)
        rows = [flat for group in self.free.gains if output in group]
        rows += [self.turn for group in self.free.delays if output in group]
        sections = _chosen(slopes, self.on[output]).reshape(-1, len(self.turn))
        return np.concatenate([np.array(rows), sections]) if rows else sections


def _spread_out(groups: Sequence[tuple[int, ...]], changes: Array, count: int) -> Array:
    """The change (count,) of every output by those of its groups."""
    total = np.zeros(count)
    for group, change in zip(groups, changes.tolist(), strict=False):
        for output in group:
            total[output] += change
    return total


def _chosen(values: Values, places: Indices) -> Values:
    """The values at ascending places, themselves when these are all."""
    return values if len(places) == len(values) else values[places]


def moving(
    state: State, free: Free, frequencies_hz: Array, rate_hz: float, phases: bool = True
) -> Moving:
    """Prepare a state whose `free` values will move; without `phases` only magnitudes count."""
    outputs, first = len(state.gains_db), len(free.gains) + len(free.delays)
    chosen = [state.sections[place] for place in free.sections]
    on = tuple(
        np.array([n for n, s in enumerate(chosen) if output in s.outputs], dtype=np.intp)
        for output in range(outputs)
    )
    groups = (*free.gains, *free.delays)
    places = tuple(
        np.array(
            [p for p, group in enumerate(groups) if output in group]
            + [first + 3 * n + i for n in on[output] for i in range(3)],
            dtype=np.intp,
        )
        for output in range(outputs)
    )
    turn = np.asarray(-2e-3j * np.pi * frequencies_hz, dtype=np.complex128)
    still = _still(state, free, turn, frequencies_hz, rate_hz, phases)
    return Moving(
        state,
        free,
        turn,
        frequencies_hz,
        rate_hz,
        still,
        tuple(section.kind for section in chosen),
        np.array([np.log(section.mode_q or np.nan) for section in chosen]),
        on,
        places,
        phases,
    )


def electrical(state: State, frequencies_hz: Array, rate_hz: float, phases: bool = True) -> Values:
    """Responses (outputs, k) that a state adds; without `phases` their magnitudes."""
    turn = np.asarray(-2e-3j * np.pi * frequencies_hz, dtype=np.complex128)
    return _still(state, Free(), turn, frequencies_hz, rate_hz, phases)


def _still(
    state: State, free: Free, turn: Complex, frequencies_hz: Array, rate_hz: float, phases: bool
) -> Values:
    """Responses of the gains, delays and sections as they are, the free sections left out."""
    turned = (turn if phases else np.zeros(len(turn))) * state.delays_ms[:, None]
    total = np.exp(NEPER_DB * state.gains_db[:, None] + turned)
    moving = set(free.sections)
    kept = tuple(s for place, s in enumerate(state.sections) if place not in moving)
    if kept:
        each, _ = section_values(bank_of(kept), frequencies_hz, rate_hz, phases, False)
        for section, response in zip(kept, each, strict=True):
            total[list(section.outputs)] *= response
    return np.asarray(total)
