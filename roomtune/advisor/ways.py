"""Whole ways from aligned loudspeakers to an equalised system, of which the best is taken.

How well a bass crossover serves is known only when everything is equalised:
what looks worse before may be mended better. So the most promising crossovers are
each carried through arrangement, equaliser and joint polish, and judged by what is
left over then; the best is taken further. This also makes the advice depend less on
chance, such as noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from roomtune.advisor.aims import Aims, problem_for
from roomtune.advisor.arrangement import Arrangement, arranged, arrangement, subwoofer_places
from roomtune.advisor.bass_crossover import BassChoice, bass_choices, with_bass_crossover
from roomtune.advisor.equalising import (
    ROUGH,
    deepened,
    equalised,
    merged,
    polished,
    rules_of,
    with_mode_cuts,
    without_idle,
)
from roomtune.advisor.objective import cost_of
from roomtune.advisor.pinning import pinned
from roomtune.advisor.preparing import Prepared
from roomtune.advisor.settings import moved, with_state
from roomtune.advisor.state import State, neutral
from roomtune.advisor.subwoofers import Junction, bass_gain_db, joined, junction, together_ms
from roomtune.processor.tuning import Tuning

TRIED, NEAR_DB = 2, 0.5


@dataclass(frozen=True, eq=False)
class Way:
    """One bass crossover carried through to the polish.

    tuning: all but what `state` holds; left_db: the weighted deviations that are left
    over when the ways are compared, root of their sum of squares; choice: what was known
    of the crossover before.
    """

    tuning: Tuning
    state: State
    bass_hz: float
    arrangement: Arrangement
    junction: Junction
    left_db: float
    choice: BassChoice | None = None

    @property
    def cost_db(self) -> float:
        """What is left over, and what common practice holds against the crossover."""
        return self.left_db + (self.choice.preference_db if self.choice else 0.0)


def ways(ready: Prepared) -> tuple[tuple[Way, ...], tuple[BassChoice, ...]]:
    """The ways gone, the best first and that one to the end, and all crossovers looked at."""
    system = ready.aims.system
    choices = bass_choices(ready.aims, ready.tuning, ready.table, ready.arrival_ms, ready.bands)
    if not choices or system.wishes.bass_crossover_hz:
        return (_ended(ready.aims, _way(ready, ready.tuning, ready.bass_hz)),), choices
    near = [c for c in choices[:TRIED] if c.cost_db < choices[0].cost_db + NEAR_DB]
    found = []
    for choice in near:
        tuning = with_bass_crossover(system, ready.tuning, choice.frequency_hz)
        found.append(replace(_way(ready, tuning, choice.frequency_hz), choice=choice))
    best, *rest = sorted(found, key=lambda way: (way.cost_db, way.bass_hz))
    return (_ended(ready.aims, best), *rest), choices


def _way(ready: Prepared, tuning: Tuning, bass_hz: float) -> Way:
    """Subwoofers arranged and joined, everything equalised and polished."""
    aims = ready.aims
    tuning, found, meeting = _with_bass(ready, tuning, bass_hz)
    tuning = pinned(aims.system, tuning)
    own = replace(neutral(len(aims.model.outputs)), sections=found.sections)
    problem = problem_for(aims, tuning)
    state = polished(aims, problem, equalised(aims, tuning, bass_hz, own), ROUGH)
    left_db = float(np.sqrt(2 * cost_of(problem, state)))
    return Way(tuning, state, bass_hz, found, meeting, left_db)


def _ended(aims: Aims, way: Way) -> Way:
    """The way with more rounds of the equaliser, cuts on modes, and nothing idle or twice."""
    state = deepened(aims, way.tuning, way.bass_hz, way.state)
    state = without_idle(with_mode_cuts(aims, way.tuning, merged(state)))
    return replace(way, state=polished(aims, problem_for(aims, way.tuning), state))


def _with_bass(
    ready: Prepared, tuning: Tuning, bass_hz: float
) -> tuple[Tuning, Arrangement, Junction]:
    """Subwoofers arranged, levelled and joined to the main loudspeakers.

    Their own sections are judged along but not put into the tuning: they stay
    free for the equaliser.
    """
    aims, names = ready.aims, ready.aims.model.outputs
    subs = [names[place] for place in subwoofer_places(aims)]
    start = together_ms(aims, ready.table, ready.arrival_ms)
    rules = rules_of(aims, aims.system.processor.filters_per_output // 3)
    top_hz = max(1.25 * bass_hz, 60.0)
    found = arrangement(aims, tuning, start, top_hz, rules if _may_filter(aims, subs) else None)
    tuning = arranged(aims, tuning, found)
    own = replace(neutral(len(names)), sections=found.sections)
    change = bass_gain_db(aims, with_state(tuning, own, names), bass_hz)
    tuning = moved(tuning, gains_db=dict.fromkeys(subs, change))
    meeting = junction(aims, with_state(tuning, own, names), bass_hz)
    return joined(aims, tuning, meeting), found, meeting


def _may_filter(aims: Aims, subs: list[str]) -> bool:
    """Whether no subwoofer is to be left alone."""
    alone = {aims.system.output(name).loudspeaker for name in subs}
    return not alone & set(aims.system.wishes.leave_alone)
