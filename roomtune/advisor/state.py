"""What a fit may change: output gains and delays, and parametric sections."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.sections import SectionBank
from roomtune.processor.tuning import Filter, FilterType

Array = NDArray[np.float64]
LOG_Q_PER_DB = float(np.log(10) / 40)
# of an output's gain above where the fits began: broad cuts everywhere that a gain makes up for
# would cost headroom where nothing is cut
HIGHEST_RISE_DB = 12.0


@dataclass(frozen=True)
class Section:
    """One parametric section, alike on several outputs, with bounds.

    values: log frequency, log Q, gain in dB; lower and upper bound them. With a
    `mode_q`, the Q follows from the gain so that a mode of that quality is taken
    away (see `room_modes`), and the second value is not fitted.
    """

    kind: FilterType
    outputs: tuple[int, ...]
    values: tuple[float, float, float]
    lower: tuple[float, float, float]
    upper: tuple[float, float, float]
    mode_q: float | None = None

    def moved_to(self, log_frequency: float, log_q: float, gain_db: float) -> Section:
        """The section with other values."""
        if self.mode_q is not None:
            log_q = float(np.log(self.mode_q)) + LOG_Q_PER_DB * gain_db
        return replace(self, values=(log_frequency, log_q, gain_db))

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
    """Variables, lower and upper bounds of a fit (changes of gains and delays, then sections).

    No gain rises by more than 12 dB in all.
    """
    moves = len(free.gains) + len(free.delays)
    reach = np.repeat(
        [free.gain_reach_db, free.delay_reach_ms], [len(free.gains), len(free.delays)]
    )
    chosen = [state.sections[place] for place in free.sections]
    start = np.concatenate([np.zeros(moves), *[np.array(s.values) for s in chosen]])
    lower = np.concatenate([-reach, *[np.array(s.lower) for s in chosen]])
    for place, group in enumerate(free.gains):
        risen_db = float(np.max(state.gains_db[list(group)]))
        reach[place] = np.clip(HIGHEST_RISE_DB - risen_db, 0.0, reach[place])
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
        sections[place] = sections[place].moved_to(*map(float, row))
    return State(gains, delays, tuple(sections))


def bank_of(sections: tuple[Section, ...]) -> SectionBank:
    """The sections as arrays."""
    values = np.array([section.values for section in sections]).reshape(-1, 3)
    kinds = tuple(section.kind for section in sections)
    return SectionBank(kinds, values[:, 0], values[:, 1], values[:, 2])
