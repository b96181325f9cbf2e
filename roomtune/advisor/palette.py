"""Which sections may be tried where: a grid of neutral ones, and which would help most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import log

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import TRANSITION_HZ
from roomtune.advisor.moving import Electrical, electrical
from roomtune.advisor.objective import Problem, acoustic_blocks
from roomtune.advisor.room_modes import Mode
from roomtune.advisor.sections import Values, section_values
from roomtune.advisor.state import LOG_Q_PER_DB, Section, State, bank_of
from roomtune.processor.tuning import FilterType
from roomtune.system.model import Processor

Array = NDArray[np.float64]
SMALLEST_BENEFIT = 0.012
QS_BELOW, QS_ABOVE = (1.0, 2.5, 5.0, 10.0), (0.7, 1.5, 3.0)
HIGHEST_Q_BELOW, HIGHEST_Q_ABOVE = 16.0, 4.5
BROADEST_CUT_Q = 3.0
BROADEST_BESIDE_MODES = 5.0
MODE_REACH, SHALLOWEST_DB, NARROW_Q = 0.04, 1.5, 3.0
PER_OCTAVE = 6
SAME = log(2) * np.array([1 / 12, 1.0])  # in log frequency and log Q


@dataclass(frozen=True)
class Ground:
    """Where sections may be put: outputs that share them, and the band in which."""

    outputs: tuple[int, ...]
    band_hz: tuple[float, float]


@dataclass(frozen=True)
class Rules:
    """What sections may be: types, bounds, how many per output, what benefit is worth one.

    `free`: bounded by the processor and the ground alone, without the caution that
    ears, rooms and seats ask for. `modes`: the room's strongest, at which alone cuts may be
    narrow; None when they are not known.
    """

    processor: Processor
    boost_db: float
    per_output: int
    benefit: float = SMALLEST_BENEFIT
    free: bool = False
    modes: tuple[Mode, ...] | None = None


@dataclass(frozen=True, eq=False)
class Palette:
    """Neutral sections to choose from, with the slopes of their ln H by gain, (n, k).

    count: number of outputs of the problem.
    """

    sections: tuple[Section, ...]
    slopes: Values
    count: int

    @cached_property
    def bounds_db(self) -> tuple[Array, Array]:
        """Lowest and highest gain of each, (n,)."""
        low = np.array([section.lower[2] for section in self.sections])
        return low, np.array([section.upper[2] for section in self.sections])

    @cached_property
    def outputs(self) -> NDArray[np.bool_]:
        """Which outputs each is on, (n, count)."""
        on = np.zeros((len(self.sections), self.count), bool)
        for row, section in zip(on, self.sections, strict=True):
            row[list(section.outputs)] = True
        return on

    @cached_property
    def on(self) -> tuple[NDArray[np.intp], ...]:
        """Places of the sections on every output."""
        return tuple(np.flatnonzero(column) for column in self.outputs.T)

    @cached_property
    def slopes_on(self) -> tuple[Values, ...]:
        """Slopes of the sections on every output."""
        return tuple(self.slopes[places] for places in self.on)

    @cached_property
    def shapes(self) -> tuple[Array, NDArray[np.str_]]:
        """Log frequency and log Q (n, 2), and kind (n,) of each."""
        values = np.array([section.values[:2] for section in self.sections])
        return values, np.array([section.kind for section in self.sections])

    def open_places(self, state: State, per_output: int) -> NDArray[np.intp]:
        """Places of the sections whose outputs all have room for one more, and none there yet.

        Where one does about the same already, it can do more of it instead.
        """
        if not self.sections:
            return np.zeros(0, dtype=np.intp)
        (values, kinds), on = self.shapes, self.outputs
        full = np.array([len(state.on(output)) >= per_output for output in range(self.count)])
        shut = (on & full).any(axis=1)
        for other in state.sections:
            log_frequency, log_q = np.abs(values - other.values[:2]).T
            near = (log_frequency < SAME[0]) & (log_q < SAME[1]) & (kinds == other.kind)
            shut |= near & on[:, list(other.outputs)].any(axis=1)
        return np.flatnonzero(~shut)


def alike(one: Section, other: Section) -> bool:
    """Whether two sections of a kind lie about at one place and are about as broad."""
    distance = np.abs(np.subtract(one.values[:2], other.values[:2]))
    return one.kind == other.kind and bool(np.all(distance < SAME))


def palette_of(problem: Problem, grounds: Sequence[Ground], rules: Rules) -> Palette:
    """Sections on a grid of frequency and Q on every ground."""
    sections = tuple(section for ground in grounds for section in _on_ground(ground, rules))
    frequencies, count = problem.model.centres_hz, len(problem.model.outputs)
    if not sections:
        return Palette((), np.zeros((0, len(frequencies)), dtype=complex), count)
    _, slopes = section_values(bank_of(sections), frequencies, problem.rate_hz, problem.phases)
    return Palette(sections, slopes[:, 2], count)


def _on_ground(ground: Ground, rules: Rules) -> list[Section]:
    found: list[Section] = []
    low, high = ground.band_hz
    count = max(int(np.log2(high / low) * PER_OCTAVE) + 1, 2)
    for frequency in np.geomspace(low, high, count):
        qs: tuple[float, ...] = QS_BELOW if frequency < TRANSITION_HZ or rules.free else QS_ABOVE
        if rules.modes and not _near_mode(frequency, rules.modes):
            qs = tuple(q for q in qs if q <= BROADEST_BESIDE_MODES)
        found += [section_at("peaking", ground.outputs, frequency, q, rules) for q in qs]
    for kind in ("low shelf", "high shelf"):
        if kind in rules.processor.filter_types:
            ends = np.geomspace(1.5 * low, high / 1.5, 5) if high > 4 * low else ()
            found += [section_at(kind, ground.outputs, f, 0.7, rules) for f in ends]
    return [kept_on(ground, section) for section in found]


def kept_on(ground: Ground, section: Section) -> Section:
    """The section bound to the band of its ground: beyond it the driver would work unheard."""
    low, high = (log(f) for f in ground.band_hz)
    place = min(max(section.values[0], low), high)
    return replace(
        section,
        values=(place, *section.values[1:]),
        lower=(min(max(section.lower[0], low), place), *section.lower[1:]),
        upper=(max(min(section.upper[0], high), place), *section.upper[1:]),
    )


def _near_mode(frequency_hz: float, modes: tuple[Mode, ...]) -> bool:
    """Whether a mode lies within half a step of the grid, or all lie well below."""
    distance = min(abs(np.log2(mode.frequency_hz / frequency_hz)) for mode in modes)
    return distance <= 0.5 / PER_OCTAVE or frequency_hz > 1.1 * modes[-1].frequency_hz


def at_mode(section: Section, rules: Rules) -> Section | None:
    """The section made to take the mode away on which it lies; None when it is no such cut."""
    frequency_hz, q = np.exp(section.values[:2])
    near = [m for m in rules.modes or () if abs(m.frequency_hz / frequency_hz - 1) < MODE_REACH]
    if section.kind != "peaking" or section.values[2] > -SHALLOWEST_DB or q < NARROW_Q or not near:
        return None
    mode = min(near, key=lambda m: abs(m.frequency_hz - frequency_hz))
    knobs = rules.processor.filter_q, rules.processor.filter_gain_db
    mode_q = min(max(mode.quality, knobs[0].minimum), knobs[0].maximum)
    cut, place, log_q = max(knobs[1].minimum, -15.0), log(mode.frequency_hz), log(mode_q)
    lower, upper = (place - 0.01, log_q + cut * LOG_Q_PER_DB, cut), (place + 0.01, log_q, 0.0)
    tied = Section("peaking", section.outputs, section.values, lower, upper, mode_q=mode_q)
    return tied.moved_to(place, log_q, section.values[2])


def section_at(
    kind: FilterType, outputs: tuple[int, ...], frequency_hz: float, q: float, rules: Rules
) -> Section:
    """A neutral section with its bounds: narrow ones only below the transition, and less
    boost the narrower; with free rules only the processor's bounds."""
    processor = rules.processor
    knobs = processor.filter_frequency_hz, processor.filter_q, processor.filter_gain_db
    cut = max(processor.filter_gain_db.minimum, -15.0)
    middle = (log(frequency_hz), log(min(max(q, knobs[1].minimum), knobs[1].maximum)), 0.0)
    if rules.free:
        lowest = (log(knobs[0].minimum), log(knobs[1].minimum), cut)
        boost = min(rules.boost_db, knobs[2].maximum)
        return Section(
            kind, outputs, middle, lowest, (log(knobs[0].maximum), log(knobs[1].maximum), boost)
        )
    below = frequency_hz < TRANSITION_HZ
    highest = min(HIGHEST_Q_BELOW if below else HIGHEST_Q_ABOVE, knobs[1].maximum)
    reach = 2.0 if q < 1.4 else 1.5
    q_low = min(max(q / 3, knobs[1].minimum, 0.4), highest)
    q_high = min(max(q * 2.5, q_low), highest)
    boost = min(rules.boost_db, knobs[2].maximum, _boost_db(q, below))
    if boost > 0:
        q_high = min(q_high, max(BROADEST_CUT_Q, q))
    low_hz = max(frequency_hz / reach, knobs[0].minimum)
    if not below:
        low_hz = max(low_hz, TRANSITION_HZ / 1.2)
    return Section(
        kind,
        outputs,
        (log(frequency_hz), log(min(max(q, q_low), q_high)), 0.0),
        (log(low_hz), log(q_low), cut),
        (log(min(frequency_hz * reach, knobs[0].maximum)), log(q_high), float(boost)),
    )


def _boost_db(q: float, below: bool) -> float:
    """Most boost of a section: broad ones up to 6 dB, narrow ones only above the transition,
    where they level one loudspeaker with another, and below it none."""
    if q <= 1.5:
        return 12.0
    if below:
        return 4.0 if q <= BROADEST_CUT_Q else 0.0
    return 4.0


def most_useful(
    problem: Problem, state: State, palette: Palette, places: NDArray[np.intp], most: int
) -> list[Section]:
    """The few candidates whose best gains lower the cost most, to first order, best first.

    At their gains; none within a third of an octave of a better one on the same
    outputs. At least one when there are `places` to choose from.
    """
    now = electrical(state, problem.model.centres_hz, problem.rate_hz, problem.phases)
    moved = Electrical(now, state.gains_db, palette.slopes_on, palette.on)
    gradient, bend = np.zeros((2, len(palette.sections)))
    for block in acoustic_blocks(problem, moved):
        gradient[block.columns] += block.slopes @ block.error
        bend[block.columns] += np.einsum("cm,cm->c", block.slopes, block.slopes)
    bend = bend + problem.gain_weight**2 + 1e-12
    low, high = palette.bounds_db
    gain = np.clip(-gradient / bend, low, high) * 0.8
    drop = -(gradient * gain + 0.5 * bend * gain**2)
    found: list[Section] = []
    for place in places[np.argsort(-drop[places], kind="stable")].tolist():
        item = palette.sections[place]
        if all(_apart(item, other) for other in found):
            found.append(item.moved_to(*item.values[:2], float(gain[place])))
        if len(found) == most:
            break
    return found


def _apart(one: Section, other: Section) -> bool:
    """Whether two sections lie on different outputs or a third of an octave apart."""
    distance = abs(one.values[0] - other.values[0])
    return one.outputs != other.outputs or distance > log(2) / 3
