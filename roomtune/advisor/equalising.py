"""Which outputs get equalised in which order, and what is said about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from roomtune.advisor.aims import Aims, problem_for
from roomtune.advisor.arrangement import subwoofer_places
from roomtune.advisor.equaliser import grown, pruned, tied_to_modes
from roomtune.advisor.layout import ordered_outputs
from roomtune.advisor.objective import Problem, fitted
from roomtune.advisor.palette import Ground, Rules
from roomtune.advisor.pinning import held_places
from roomtune.advisor.scores import channel_pairs
from roomtune.advisor.state import Free, State
from roomtune.processor.rounding import rounded_to
from roomtune.processor.tuning import Tuning

TOP_HZ = 17e3
IDLE_DB = 0.3


def rules_of(aims: Aims, per_output: int | None = None) -> Rules:
    """What the processor and the wishes allow."""
    processor = aims.system.processor
    count = processor.filters_per_output if per_output is None else per_output
    boost_db = aims.system.wishes.maximum_boost_db
    return Rules(processor, boost_db, count, modes=aims.modes)


def equalised(aims: Aims, tuning: Tuning, bass_hz: float, state: State) -> State:
    """Sections for all outputs: subwoofers, then pairs alike, then each its own.

    `state` holds what the subwoofers have got already.
    """
    problem = problem_for(aims, tuning)
    state = _bass(aims, problem, state, bass_hz)
    for pair in channel_pairs(aims.system):
        state = _pair(aims, tuning, problem, state, pair, bass_hz)
    paired = {name for pair in channel_pairs(aims.system) for name in pair}
    for channel in aims.mains:
        name = aims.model.channels[channel]
        if name not in paired:
            grounds = _grounds(aims, tuning, [name], bass_hz)
            state = _grown(aims, problem, state, [channel], grounds, rules_of(aims))
    return state


def _bass(aims: Aims, problem: Problem, state: State, bass_hz: float) -> State:
    places = _allowed(aims, subwoofer_places(aims))
    if not places:
        return state
    ground = Ground(places, (20.0, max(1.5 * bass_hz, 60.0)))
    channels = [c for c in aims.mains if set(places) & set(aims.model.members[c].tolist())]
    return _grown(aims, problem, state, channels, [ground], rules_of(aims), (places,))


def _pair(
    aims: Aims,
    tuning: Tuning,
    problem: Problem,
    state: State,
    pair: tuple[str, str],
    bass_hz: float,
) -> State:
    """Sections shared by left and right first, then what the two need by themselves."""
    channels = [aims.model.channels.index(name) for name in pair]
    count = aims.system.processor.filters_per_output
    shared = _grounds(aims, tuning, pair, bass_hz)
    if all(len(ground.outputs) == 2 for ground in shared):
        state = _grown(aims, problem, state, channels, shared, rules_of(aims, max(count // 2, 1)))
    single = [ground for name in pair for ground in _grounds(aims, tuning, [name], bass_hz)]
    return _grown(aims, problem, state, channels, single, rules_of(aims))


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
        bands = [played_hz(tuning, output.name, output.safe_band_hz) for output in outputs]
        low, high = max(b[0] for b in bands), min(min(b[1] for b in bands), TOP_HZ)
        places = tuple(aims.model.outputs.index(output.name) for output in outputs)
        grounds.append(Ground(places, (low, max(high, 1.2 * low))))
    return grounds


def played_hz(tuning: Tuning, output: str, safe_hz: tuple[float, float]) -> tuple[float, float]:
    """Band that an output plays under its crossovers, with half an octave of margin."""
    low, high = safe_hz
    for item in tuning.output(output).filters:
        if item.type == "high pass" and item.frequency_hz:
            low = max(low, item.frequency_hz / 1.4)
        if item.type == "low pass" and item.frequency_hz:
            high = min(high, item.frequency_hz * 1.4)
    return low, high


def _allowed(aims: Aims, places: Sequence[int]) -> tuple[int, ...]:
    alone = set(aims.system.wishes.leave_alone)
    names = aims.model.outputs
    return tuple(p for p in places if aims.system.output(names[p]).loudspeaker not in alone)


def _grown(
    aims: Aims,
    problem: Problem,
    state: State,
    channels: Sequence[int],
    grounds: Sequence[Ground],
    rules: Rules,
    gains: Sequence[tuple[int, ...]] | None = None,
) -> State:
    """Grow sections on some grounds, judged by some channels; the rest of the state rests."""
    if not grounds or not channels:
        return state
    touched = {output for ground in grounds for output in ground.outputs}
    keep = [p for p, s in enumerate(state.sections) if touched & set(s.outputs)]
    part, own = problem_part(problem, channels).folded(state, keep)
    held = held_places(aims.system, aims.model.outputs, "gains")
    groups = tuple((place,) for place in sorted(touched)) if gains is None else tuple(gains)
    moving = tuple(group for group in groups if not held & set(group))
    found = grown(part, own, grounds, rules, moving)
    found = pruned(part, found, range(len(found.sections)), rules)
    found = tied_to_modes(part, found, rules, subwoofer_places(aims))
    others = tuple(s for p, s in enumerate(state.sections) if p not in set(keep))
    return State(
        state.gains_db + found.gains_db,
        state.delays_ms + found.delays_ms,
        (*others, *found.sections),
    )


def problem_part(problem: Problem, channels: Sequence[int]) -> Problem:
    """The problem as far as it concerns some channels."""
    chosen = set(channels)
    return replace(
        problem,
        goals=tuple(g for g in problem.goals if g.channel in chosen),
        matches=tuple(m for m in problem.matches if {m.left, m.right} <= chosen),
    )


def polished(aims: Aims, problem: Problem, state: State, steps: int = 25) -> State:
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
    return fitted(problem, state, free, steps)[0]


def rounded_in_turn(aims: Aims, problem: Problem, state: State) -> State:
    """Gains of sections put on the processor's steps first, the rest fitted to that."""
    processor = aims.system.processor
    sections = []
    for section in state.sections:
        if section.kind == "all pass":
            sections.append(section)
            continue
        gain = rounded_to(section.values[2], processor.filter_gain_db)
        values, lower, upper = (
            (triple[0], triple[1], gain)
            for triple in (section.values, section.lower, section.upper)
        )
        sections.append(replace(section, values=values, lower=lower, upper=upper))
    return polished(aims, problem, replace(state, sections=tuple(sections)), 8)


def without_idle(state: State) -> State:
    """The state without sections that hardly do anything."""
    kept = tuple(s for s in state.sections if s.kind == "all pass" or abs(s.values[2]) >= IDLE_DB)
    return State(state.gains_db, state.delays_ms, kept)
