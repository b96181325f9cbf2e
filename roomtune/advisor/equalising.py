"""Which outputs get equalised together, in which order, and in which rounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roomtune.advisor.aims import Aims, problem_for
from roomtune.advisor.arrangement import subwoofer_places
from roomtune.advisor.equaliser import FINE, LONG, planted, pruned, regrown, tied_to_modes
from roomtune.advisor.layout import ordered_outputs
from roomtune.advisor.objective import Problem, cost_of, fitted
from roomtune.advisor.palette import Ground, Rules, alike, kept_on, section_at
from roomtune.advisor.pinning import held_places
from roomtune.advisor.scores import channel_pairs
from roomtune.advisor.state import Free, Section, State
from roomtune.processor.tuning import Tuning

TOP_HZ = 17e3
IDLE_DB = 0.3
ROUGH = 1e-5
ROUNDS, REPEATS, WORTH_REPEATING = (2, -2), 2, 0.97


def rules_of(aims: Aims, per_output: int | None = None) -> Rules:
    """What the processor and the wishes allow."""
    processor = aims.system.processor
    count = processor.filters_per_output if per_output is None else per_output
    boost_db = aims.system.wishes.maximum_boost_db
    return Rules(processor, boost_db, count, modes=aims.modes)


@dataclass(frozen=True)
class _Group:
    """Outputs that get equalised together, judged by the channels that they play.

    shared: grounds of what is alike on several loudspeakers; single: of what each has
    by itself; gains: outputs whose gains are fitted along, together where grouped.
    """

    channels: tuple[int, ...]
    shared: tuple[Ground, ...]
    single: tuple[Ground, ...]
    gains: tuple[tuple[int, ...], ...]

    @property
    def outputs(self) -> set[int]:
        """The outputs that may get sections."""
        return {output for ground in self.shared + self.single for output in ground.outputs}


def equalised(aims: Aims, tuning: Tuning, bass_hz: float, state: State) -> State:
    """Sections for all outputs: subwoofers, then pairs alike, then each its own.

    `state` holds what the subwoofers have got already.
    """
    problem, rules = problem_for(aims, tuning), rules_of(aims)
    half = replace(rules, per_output=max(rules.per_output // 2, 1))
    for group in _groups(aims, tuning, bass_hz):
        part, own, rest = _part(problem, state, group)
        own = planted(part, own, group.shared, half, group.gains)
        own = planted(part, own, group.single, rules, group.gains)
        state = _joined(rest, pruned(part, own, range(len(own.sections)), rules))
    return state


def deepened(aims: Aims, tuning: Tuning, bass_hz: float, state: State) -> State:
    """The state after rounds in which every group is grown anew where that is better.

    One round goes by way of more sections than the processor has, the next by way of
    fewer; and again if both together were worth it.
    """
    problem, rules = problem_for(aims, tuning), rules_of(aims)
    groups = _groups(aims, tuning, bass_hz)
    cost = cost_of(problem, state)
    for _ in range(REPEATS):
        for change in ROUNDS:
            for group in groups:
                part, own, rest = _part(problem, state, group)
                found = regrown(part, own, group.shared + group.single, rules, group.gains, change)
                state = _joined(rest, found)
        state = polished(aims, problem, state, ROUGH)
        before, cost = cost, cost_of(problem, state)
        if cost > WORTH_REPEATING * before:
            break
    return state


def with_mode_cuts(aims: Aims, tuning: Tuning, state: State) -> State:
    """The state with cuts on modes made such that they shorten the ringing."""
    together = subwoofer_places(aims)
    return tied_to_modes(problem_for(aims, tuning), state, rules_of(aims), together)


def _groups(aims: Aims, tuning: Tuning, bass_hz: float) -> list[_Group]:
    """Subwoofers, pairs of loudspeakers, and the rest one by one; without those left alone."""
    names = aims.model.channels
    pairs = channel_pairs(aims.system)
    paired = {name for pair in pairs for name in pair}
    rest = [(names[c],) for c in aims.mains if names[c] not in paired]
    found = [_subwoofers(aims, bass_hz), *(_mains(aims, tuning, n, bass_hz) for n in pairs)]
    found += [_mains(aims, tuning, n, bass_hz) for n in rest]
    return [group for group in found if group.channels and group.outputs]


def _subwoofers(aims: Aims, bass_hz: float) -> _Group:
    alone, names = set(aims.system.wishes.leave_alone), aims.model.outputs
    places = tuple(
        p for p in subwoofer_places(aims) if aims.system.output(names[p]).loudspeaker not in alone
    )
    band_hz = (20.0, max(1.5 * bass_hz, 60.0))
    channels = [c for c in aims.mains if set(places) & set(aims.model.members[c].tolist())]
    shared = (Ground(places, band_hz),) if len(places) > 1 else ()
    single = tuple(Ground((place,), band_hz) for place in places)
    return _Group(tuple(channels), shared, single, _moving(aims, [places]))


def _mains(aims: Aims, tuning: Tuning, names: Sequence[str], bass_hz: float) -> _Group:
    channels = tuple(aims.model.channels.index(name) for name in names)
    shared = _grounds(aims, tuning, names, bass_hz) if len(names) > 1 else []
    single = [ground for name in names for ground in _grounds(aims, tuning, [name], bass_hz)]
    places = sorted({output for ground in single for output in ground.outputs})
    return _Group(channels, tuple(shared), tuple(single), _moving(aims, [(p,) for p in places]))


def _moving(aims: Aims, groups: Sequence[tuple[int, ...]]) -> tuple[tuple[int, ...], ...]:
    """The groups of outputs of which no gain is pinned."""
    held = held_places(aims.system, aims.model.outputs, "gains")
    return tuple(group for group in groups if group and not held & set(group))


def _part(problem: Problem, state: State, group: _Group) -> tuple[Problem, State, State]:
    """The problem of a group alone, its own state, and the state of all others."""
    touched = group.outputs
    keep = [p for p, s in enumerate(state.sections) if touched & set(s.outputs)]
    part, own = problem_part(problem, group.channels).folded(state, keep)
    others = tuple(s for p, s in enumerate(state.sections) if p not in set(keep))
    return part, own, replace(state, sections=others)


def _joined(rest: State, own: State) -> State:
    """One state of all: the gains as the group left them."""
    return State(own.gains_db, rest.delays_ms, (*rest.sections, *own.sections))


def _grounds(aims: Aims, tuning: Tuning, channels: Sequence[str], bass_hz: float) -> list[Ground]:
    """One ground per driver, shared by the same driver of all given channels."""
    rows = []
    for name in channels:
        loudspeaker = aims.system.loudspeaker_of(name)
        if loudspeaker is None or loudspeaker.name in aims.system.wishes.leave_alone:
            return []
        rows.append(ordered_outputs(aims.system, loudspeaker.name))
    if len({len(row) for row in rows}) != 1:
        return []
    grounds = []
    for outputs in zip(*rows, strict=True):
        bands = [_played_hz(tuning, output.name, output.safe_band_hz) for output in outputs]
        low, high = max(b[0] for b in bands), min(min(b[1] for b in bands), TOP_HZ)
        places = tuple(aims.model.outputs.index(output.name) for output in outputs)
        grounds.append(Ground(places, (low, max(high, 1.2 * low))))
    return grounds


def _played_hz(tuning: Tuning, output: str, safe_hz: tuple[float, float]) -> tuple[float, float]:
    """Band that an output plays under its crossovers, with half an octave of margin."""
    low, high = safe_hz
    for item in tuning.output(output).filters:
        if item.type == "high pass" and item.frequency_hz:
            low = max(low, item.frequency_hz / 1.4)
        if item.type == "low pass" and item.frequency_hz:
            high = min(high, item.frequency_hz * 1.4)
    return low, high


def bounded(aims: Aims, tuning: Tuning, sections: Sequence[Section]) -> tuple[Section, ...]:
    """A tuning's sections with the bounds that new ones would have at their places.

    By the rules and by the band that all of their outputs play; wider where they lie beyond.
    """
    return tuple(_bounded(aims, tuning, section) for section in sections)


def _bounded(aims: Aims, tuning: Tuning, section: Section) -> Section:
    frequency, q = np.exp(section.values[:2])
    fresh = section_at(section.kind, section.outputs, float(frequency), float(q), rules_of(aims))
    outputs = [aims.system.output(aims.model.outputs[place]) for place in section.outputs]
    bands = [_played_hz(tuning, output.name, output.safe_band_hz) for output in outputs]
    low = max(band[0] for band in bands)
    high = max(min(band[1] for band in bands), low)
    fresh = kept_on(Ground(section.outputs, (low, high)), fresh)
    lower = tuple(map(min, fresh.lower, section.values))
    upper = tuple(map(max, fresh.upper, section.values))
    return replace(section, lower=lower, upper=upper)  # type: ignore[arg-type]


def problem_part(problem: Problem, channels: Sequence[int]) -> Problem:
    """The problem as far as it concerns some channels."""
    chosen = set(channels)
    return replace(
        problem,
        goals=tuple(g for g in problem.goals if g.channel in chosen),
        matches=tuple(m for m in problem.matches if {m.left, m.right} <= chosen),
    )


def polished(aims: Aims, problem: Problem, state: State, tolerance: float = FINE) -> State:
    """All gains, sections and the subwoofers' delays fitted together."""
    subs = subwoofer_places(aims)
    names = aims.model.outputs
    loud, late = (held_places(aims.system, names, what) for what in ("gains", "delays"))
    free = Free(
        gains=tuple((place,) for place in range(len(names)) if place not in loud),
        delays=tuple((place,) for place in subs if place not in late),
        sections=tuple(range(len(state.sections))),
        gain_reach_db=3.0,
        delay_reach_ms=1.5,
    )
    return fitted(problem, state, free, LONG, tolerance)[0]


def without_idle(state: State) -> State:
    """The state without sections that hardly do anything."""
    kept = tuple(s for s in state.sections if s.kind == "all pass" or abs(s.values[2]) >= IDLE_DB)
    return State(state.gains_db, state.delays_ms, kept)


def merged(state: State) -> State:
    """The state with sections that do the same on the same outputs made one, within bounds."""
    kept: list[Section] = []
    for section in state.sections:
        place = next((p for p, other in enumerate(kept) if _one_does(other, section)), None)
        if place is None:
            kept.append(section)
        else:
            gain_db = kept[place].values[2] + section.values[2]
            kept[place] = kept[place].moved_to(*kept[place].values[:2], gain_db)
    return replace(state, sections=tuple(kept))


def _one_does(one: Section, other: Section) -> bool:
    """Whether one section can do what two do."""
    gain_db = one.values[2] + other.values[2]
    return (
        one.kind != "all pass"
        and one.mode_q is None
        and other.mode_q is None
        and one.outputs == other.outputs
        and alike(one, other)
        and one.lower[2] <= gain_db <= one.upper[2]
    )
