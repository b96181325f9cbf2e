"""Filters on whole channels, where the processor has them.

What the outputs' own filters have left over differs from channel to channel,
most of all where channels share subwoofers or woofers. A filter on the channel
acts on all of its outputs alike, so sums and crossovers stay as they are. Left
and right get the same. Kept only if the channels come nearer to the target and
no seat pays for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roomtune.advisor.aims import Aims, lowest_hz, problem_for
from roomtune.advisor.boosts import boost_db
from roomtune.advisor.effects import Levels, levels_of, off_target
from roomtune.advisor.equaliser import grown, pruned, tied_to_modes
from roomtune.advisor.explaining import filter_text
from roomtune.advisor.palette import Ground, Rules
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.scores import DEVIATION_BAND_HZ, channel_pairs
from roomtune.advisor.state import neutral
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Filter, Tuning

WORTH_DB, PRICE_DB, IDLE_DB, BENEFIT = 0.05, 0.2, 0.3, 0.02
Group = tuple[str, ...]


def channel_groups(aims: Aims) -> list[Group]:
    """Pairs of left and right, then single channels; without those to be left alone."""
    alone = set(aims.system.wishes.leave_alone)
    names = [aims.model.channels[c] for c in aims.mains]
    pairs = [pair for pair in channel_pairs(aims.system) if set(pair) <= set(names)]
    paired = {name for pair in pairs for name in pair}
    groups = [*pairs, *((name,) for name in names if name not in paired)]

    def touched(group: Group) -> bool:
        speakers = [aims.system.loudspeaker_of(name) for name in group]
        return all(s is not None and s.name not in alone for s in speakers)

    return [group for group in groups if touched(group)]


def with_channel_filters(aims: Aims, tuning: Tuning) -> tuple[Tuning, list[Proposal]]:
    """The tuning with filters on its channels, as the processor holds them, and why."""
    told: list[Proposal] = []
    if not aims.system.processor.filters_per_channel:
        return tuning, told
    for group in channel_groups(aims):
        filters = _fitted_filters(aims, tuning, group)
        trial = rounded(with_filters(tuning, group, filters), aims.system.processor)
        if filters and serves(levels_of(aims, tuning), levels_of(aims, trial), group):
            tuning = trial
            told.append(_proposal(trial, group))
    return tuning, told


def with_filters(tuning: Tuning, group: Sequence[str], filters: Sequence[Filter]) -> Tuning:
    """The tuning with some channels' filters exchanged."""
    channels = tuple(
        replace(c, filters=tuple(filters)) if c.name in group else c for c in tuning.channels
    )
    return replace(tuning, channels=channels)


def serves(before: Levels, after: Levels, group: Group) -> bool:
    """Whether channels come nearer to the target and hardly any seat is worse off."""
    measure = off_target(group)
    if measure(before) - measure(after) < WORTH_DB:
        return False
    for seat in range(len(before.weights)):
        alone = np.zeros(len(before.weights))
        alone[seat] = 1.0
        there = [off_target(group)(replace(levels, weights=alone)) for levels in (before, after)]
        if there[1] - there[0] > PRICE_DB:
            return False
    return True


def _fitted_filters(aims: Aims, tuning: Tuning, group: Group) -> tuple[Filter, ...]:
    """Sections that act on all outputs of the channels alike, fitted to what is left over."""
    places = [aims.model.channels.index(name) for name in group]
    outputs = sorted({int(o) for place in places for o in aims.model.members[place]})
    room_db = boost_room_db(aims, tuning, [aims.model.outputs[o] for o in outputs])
    count = aims.system.processor.filters_per_channel
    rules = Rules(aims.system.processor, room_db, count, BENEFIT, modes=aims.modes)
    ground = Ground(tuple(outputs), (lowest_hz(aims), DEVIATION_BAND_HZ[1]))
    problem = problem_for(aims, tuning, places)
    state = grown(problem, neutral(len(aims.model.outputs)), [ground], rules, exchanges=2)
    state = pruned(problem, state, range(len(state.sections)), rules)
    state = tied_to_modes(problem, state, rules)
    filters = (section.filter for section in state.sections)
    kept = (f for f in filters if abs(f.gain_db or 0.0) >= IDLE_DB)
    return tuple(sorted(kept, key=lambda f: f.frequency_hz or 0.0))


def boost_room_db(aims: Aims, tuning: Tuning, outputs: Sequence[str]) -> float:
    """What boost the wishes leave beyond that of the outputs' own filters."""
    limit = aims.system.wishes.maximum_boost_db
    rate = tuning.sample_rate_hz
    most = max(boost_db(tuning.output(name).filters, rate, limit)[0] for name in outputs)
    return max(limit - most, 0.0)


def _proposal(tuning: Tuning, group: Group) -> Proposal:
    filters = tuning.channel(group[0]).filters
    return Proposal(
        step="channel equaliser",
        subject=", ".join(group),
        change="; ".join(map(filter_text, filters)),
        evidence="what the filters of the outputs leave over in these channels' seat average; "
        "on the channel it changes no sum of drivers",
        effect=f"{len(filters)} {'filter' if len(filters) == 1 else 'filters'} "
        + ("alike on both" if len(group) > 1 else "on the channel"),
    )
