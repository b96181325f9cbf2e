"""What a fit may change: output gains and delays, and parametric sections."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.sections import SectionBank, section_responses
from roomtune.processor.tuning import Filter, FilterType

Array = NDArray[np.float64]
NEPER_DB = np.log(10) / 20


@dataclass(frozen=True)
class Section:
    """One parametric section, alike on several outputs, with bounds.

    values: log frequency, log Q, gain in dB; lower and upper bound them.
    """

    kind: FilterType
    outputs: tuple[int, ...]
    values: tuple[float, float, float]
    lower: tuple[float, float, float]
    upper: tuple[float, float, float]

    @property
    def filter(self) -> Filter:
        """The filter it stands for."""
        frequency, q = np.exp(self.values[:2])
        if self.kind == "all pass":
            return Filter(self.kind, float(frequency), float(q))
        return Filter(self.kind, float(frequency), float(q), float(self.values[2]))


@dataclass(frozen=True, eq=False)
class State:
    """Changes on top of a base tuning: gains_db and delays_ms (outputs,), and sections."""

    gains_db: Array
    delays_ms: Array
    sections: tuple[Section, ...] = ()

    def with_section(self, section: Section) -> State:
        """The state with one more section."""
        return replace(self, sections=(*self.sections, section))

    def on(self, output: int) -> tuple[Section, ...]:
        """The sections on an output."""
        return tuple(s for s in self.sections if output in s.outputs)


def neutral(outputs: int) -> State:
    """No change on any output."""
    return State(np.zeros(outputs), np.zeros(outputs))


@dataclass(frozen=True)
class Free:
    """Which values a fit may move: groups of outputs that move together, section places."""

    gains: tuple[tuple[int, ...], ...] = ()
    delays: tuple[tuple[int, ...], ...] = ()
    sections: tuple[int, ...] = ()
    gain_reach_db: float = 12.0
    delay_reach_ms: float = 1.0

    @property
    def count(self) -> int:
        """Number of variables."""
        return len(self.gains) + len(self.delays) + 3 * len(self.sections)


def packed(state: State, free: Free) -> tuple[Array, Array, Array]:
    """Variables, lower and upper bounds of a fit (changes of gains and delays, then sections)."""
    moves = len(free.gains) + len(free.delays)
    reach = np.repeat(
        [free.gain_reach_db, free.delay_reach_ms], [len(free.gains), len(free.delays)]
    )
    chosen = [state.sections[place] for place in free.sections]
    start = np.concatenate([np.zeros(moves), *[np.array(s.values) for s in chosen]])
    lower = np.concatenate([-reach, *[np.array(s.lower) for s in chosen]])
    upper = np.concatenate([reach, *[np.array(s.upper) for s in chosen]])
    return start, lower, upper


def unpacked(state: State, free: Free, variables: Array) -> State:
    """The state moved to the variables of a fit."""
    gains, delays = state.gains_db.copy(), state.delays_ms.copy()
    for place, group in enumerate(free.gains):
        gains[list(group)] += variables[place]
    for place, group in enumerate(free.delays):
        delays[list(group)] += variables[len(free.gains) + place]
    first = len(free.gains) + len(free.delays)
    values = variables[first:].reshape(-1, 3)
    sections = list(state.sections)
    for place, row in zip(free.sections, values, strict=True):
        sections[place] = replace(
            sections[place], values=(float(row[0]), float(row[1]), float(row[2]))
        )
    return State(gains, delays, tuple(sections))


def bank_of(sections: tuple[Section, ...]) -> SectionBank:
    """The sections as arrays."""
    values = np.array([section.values for section in sections]).reshape(-1, 3)
    kinds = tuple(section.kind for section in sections)
    return SectionBank(kinds, values[:, 0], values[:, 1], values[:, 2])


@dataclass(frozen=True, eq=False)
class Electrical:
    """Every output's response (outputs, k) and the slopes of its logarithm.

    slopes[o]: (variables of o, k) with their places in the vector, places[o].
    """

    response: NDArray[np.complex128]
    slopes: tuple[NDArray[np.complex128], ...]
    places: tuple[NDArray[np.intp], ...]


def electrical(
    state: State, free: Free, frequencies_hz: Array, rate_hz: float, with_slopes: bool = True
) -> Electrical:
    """Responses that the state adds on each output, with derivatives."""
    count = len(state.gains_db)
    turn = np.asarray(-2e-3j * np.pi * frequencies_hz, dtype=np.complex128)
    total = np.exp(NEPER_DB * state.gains_db[:, None] + turn * state.delays_ms[:, None])
    rows: list[list[NDArray[np.complex128]]] = [[] for _ in range(count)]
    places: list[list[int]] = [[] for _ in range(count)]
    if state.sections:
        each, slopes = section_responses(bank_of(state.sections), frequencies_hz, rate_hz)
        for section, response in zip(state.sections, each, strict=True):
            total[list(section.outputs)] *= response
    if with_slopes:
        _gain_and_delay_slopes(free, turn, rows, places)
        first = len(free.gains) + len(free.delays)
        for number, place in enumerate(free.sections):
            for output in state.sections[place].outputs:
                rows[output] += list(slopes[:, place])
                places[output] += range(first + 3 * number, first + 3 * number + 3)
    width = len(frequencies_hz)
    return Electrical(
        total,
        tuple(np.array(r, dtype=complex).reshape(-1, width) for r in rows),
        tuple(np.array(p, dtype=np.intp) for p in places),
    )


def _gain_and_delay_slopes(
    free: Free,
    turn: NDArray[np.complex128],
    rows: list[list[NDArray[np.complex128]]],
    places: list[list[int]],
) -> None:
    flat = np.full(len(turn), NEPER_DB, dtype=complex)
    for place, group in enumerate(free.gains):
        for output in group:
            rows[output].append(flat)
            places[output].append(place)
    for place, group in enumerate(free.delays):
        for output in group:
            rows[output].append(turn)
            places[output].append(len(free.gains) + place)
