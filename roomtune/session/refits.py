"""A tuning in use fitted again to a new measurement, with only some of its values free.

Crossovers, polarities, routes and the number of filters stay as they are, and so does
what the wishes pin or leave alone. No filter leaves the band that its drivers play.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from roomtune.advisor.aims import THIRDS_WEIGHT, Aims, problem_for
from roomtune.advisor.alignment import (
    aligned_to_latest,
    arrivals_aligned,
    arriving_together,
    channels_trimmed,
)
from roomtune.advisor.arrangement import subwoofer_places
from roomtune.advisor.boosts import within_boost
from roomtune.advisor.energy import energy_model
from roomtune.advisor.equalising import bounded
from roomtune.advisor.limits import within_headroom
from roomtune.advisor.measured import Measured
from roomtune.advisor.objective import Problem, cost_of, fitted
from roomtune.advisor.pinning import (
    channels_within_headroom,
    has_pins,
    held_places,
    pinned,
)
from roomtune.advisor.settings import moved, on_whole_samples
from roomtune.advisor.settling import settled_within_boost
from roomtune.advisor.state import Free, Section, State
from roomtune.advisor.stepping import put_together, stepped, taken_apart
from roomtune.processor.rounding import rounded, rounded_to
from roomtune.processor.tuning import Tuning
from roomtune.system.model import Range, System

STEPS, FINAL_STEPS = 60, 24
DELAY_REACH_MS = 6.0
ALIGNMENTS = 4


@dataclass(frozen=True)
class Freedom:
    """What a refit may change.

    `sections`: places of the movable filters (peaking and shelves, counted over the
    outputs in their order) that may change; `gains_only`: of these only the gains.
    """

    delays: bool = False
    levels: bool = False
    sections: tuple[int, ...] = ()
    gains_only: bool = False


@dataclass(frozen=True, eq=False)
class Refit:
    """Fits of one tuning to one measurement."""

    aims: Aims
    tuning: Tuning

    @classmethod
    def of(
        cls,
        system: System,
        measured: Measured,
        tuning: Tuning,
        thirds_weight: float = THIRDS_WEIGHT,
    ) -> Refit:
        """Prepare fits of `tuning` to `measured`."""
        model = energy_model(measured, tuning)
        return cls(Aims(system, measured, model, thirds_weight), tuning)

    @property
    def subwoofers(self) -> tuple[int, ...]:
        """Places of the outputs that play bass for others."""
        return tuple(subwoofer_places(self.aims))

    @cached_property
    def sections(self) -> tuple[Section, ...]:
        """The movable filters with the bounds that the equaliser's rules give them."""
        _, state = taken_apart(self.aims, self.tuning)
        return bounded(self.aims, self.tuning, state.sections)

    def sections_on(self, outputs: Sequence[int]) -> tuple[int, ...]:
        """Places of the movable filters on these outputs."""
        return tuple(p for p, s in enumerate(self.sections) if set(s.outputs) <= set(outputs))

    def result(self, free: Freedom) -> Tuning:
        """The tuning with only that changed, every value on the processor's steps."""
        system, new = self.aims.system, self.tuning
        free = replace(free, sections=self._movable(free.sections))
        if free.delays:
            aligned, _ = arrivals_aligned(system, self.aims.measured, on_whole_samples(new))
            new = rounded(_near(new, aligned), system.processor)
        new = self._fitted(new, free)
        if free.levels and len(free.sections) == len(self.sections) and not free.gains_only:
            new = settled_within_boost(self.aims, new)
            new = rounded(stepped(self.aims, new), system.processor)
        elif free.sections:
            new = within_boost(system, new)
        if free.delays:
            new = arriving_together(system, self.aims.measured, new, self._realigned, ALIGNMENTS)
        if free.levels:
            new = within_headroom(system, channels_trimmed(self.aims, new))
        if has_pins(system):
            new = rounded(pinned(system, new), system.processor)
        if free.levels:
            new = channels_trimmed(self.aims, rounded(new, system.processor))
        if free.levels and system.wishes.gains_db:
            new = channels_within_headroom(system, new)
        return rounded(new, system.processor)

    def _movable(self, sections: Sequence[int]) -> tuple[int, ...]:
        """Those of some filters that belong to no loudspeaker that is to be left alone."""
        system = self.aims.system
        alone = {
            place
            for place, name in enumerate(self.aims.model.outputs)
            if system.output(name).loudspeaker in system.wishes.leave_alone
        }
        return tuple(p for p in sections if not alone & set(self.sections[p].outputs))

    def _realigned(self, tuning: Tuning, arrivals_ms: dict[str, float]) -> Tuning:
        """The tuning with its loudspeakers' delays moved to the latest arrival."""
        system = self.aims.system
        aligned = aligned_to_latest(system, on_whole_samples(tuning), arrivals_ms)
        return rounded(_near(tuning, aligned), system.processor)

    def by_importance(self, new: Tuning) -> tuple[int, ...]:
        """Places of the filters that `new` changed, the most telling first.

        Judged by what the fit loses when that filter alone goes back.
        """
        bare, state = taken_apart(self.aims, new)
        problem = problem_for(self.aims, bare)
        old = self.sections
        changed = [p for p, s in enumerate(state.sections) if s.values != old[p].values]
        loss = {p: cost_of(problem, _with_sections(state, {p: old[p]})) for p in changed}
        return tuple(sorted(changed, key=lambda p: (-loss[p], p)))

    def _fitted(self, tuning: Tuning, free: Freedom) -> Tuning:
        """Subwoofers' delays, levels and the chosen filters, fitted together, gains rounded."""
        bare, state = taken_apart(self.aims, tuning)
        state = replace(state, sections=self.sections)
        if free.gains_only:
            held = {p: _held(self.sections[p], (0, 1)) for p in free.sections}
            state = _with_sections(state, held)
        problem = problem_for(self.aims, bare)
        found = self._fit(problem, state, free, STEPS)
        if found is None:
            return tuning
        knob = self.aims.system.processor.filter_gain_db
        stepped = {p: _held(_stepped(found.sections[p], knob), (2,)) for p in free.sections}
        if stepped:
            found = self._fit(problem, _with_sections(found, stepped), free, FINAL_STEPS) or found
        return self._with(tuning, found)

    def _fit(self, problem: Problem, state: State, free: Freedom, steps: int) -> State | None:
        outputs = range(len(self.aims.model.outputs))
        playing = {o for p in free.sections for o in self.sections[p].outputs}
        names = self.aims.model.outputs
        loud, late = (held_places(self.aims.system, names, what) for what in ("gains", "delays"))
        moving = (playing | set(self.subwoofers)) - loud if free.levels else set()
        delayed = [p for p in self.subwoofers if p not in late] if free.delays else []
        chosen = Free(
            gains=tuple((place,) for place in outputs if place in moving),
            delays=tuple((place,) for place in delayed),
            sections=free.sections,
            gain_reach_db=6.0,
            delay_reach_ms=DELAY_REACH_MS,
        )
        return fitted(problem, state, chosen, steps)[0] if chosen.count else None

    def _with(self, tuning: Tuning, found: State) -> Tuning:
        new = put_together(self.aims, tuning, found)
        delays = dict(zip(self.aims.model.outputs, map(float, found.delays_ms), strict=True))
        return rounded(moved(new, delays_ms=delays), self.aims.system.processor)


def _near(old: Tuning, new: Tuning) -> Tuning:
    """The new tuning, all delays shifted alike so that most of them are the old ones."""
    moves = [
        round(n.delay_ms - o.delay_ms, 6) for o, n in zip(old.outputs, new.outputs, strict=True)
    ]
    common = max(set(moves), key=lambda m: (moves.count(m), -abs(m)))
    shift = min(common, min(o.delay_ms for o in new.outputs))
    outputs = tuple(replace(o, delay_ms=o.delay_ms - shift) for o in new.outputs)
    return replace(new, outputs=outputs)


def _with_sections(state: State, changed: dict[int, Section]) -> State:
    sections = tuple(changed.get(p, s) for p, s in enumerate(state.sections))
    return replace(state, sections=sections)


def _held(section: Section, fields: Sequence[int]) -> Section:
    """The section with some of its values (0 frequency, 1 Q, 2 gain) fixed where they are."""
    lower, upper = list(section.lower), list(section.upper)
    for field in fields:
        lower[field] = upper[field] = section.values[field]
    return replace(section, lower=tuple(lower), upper=tuple(upper))  # type: ignore[arg-type]


def _stepped(section: Section, knob: Range) -> Section:
    gain = rounded_to(section.values[2], knob)
    return replace(section, values=(section.values[0], section.values[1], gain))
