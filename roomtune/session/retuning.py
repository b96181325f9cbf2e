"""The smallest retune that brings back what changed: fewest values to type.

Restricted changes of the tuning in use (delays, levels, the subwoofers, the
equaliser between the crossovers) are each fitted to the new measurement and
judged by the same prediction as a whole new tuning. The one with the fewest
values to type that restores the former figures is chosen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby

import numpy as np

from roomtune.advisor.aims import THIRDS_WEIGHT
from roomtune.advisor.measured import Measured
from roomtune.advisor.planning import plan
from roomtune.advisor.prediction import predict
from roomtune.advisor.proposal import Advice, Proposal
from roomtune.advisor.scores import Scores, scores
from roomtune.processor.tuning import Tuning
from roomtune.session.entries import Entry, entries
from roomtune.session.refits import Freedom, Refit
from roomtune.system.model import System

WITHIN = 1.1
LONGER = 4
AVERAGE_WEIGHT = 6.0
FLOORS = {
    "deviation_db": 0.15,
    "level_spread_db": 0.3,
    "arrival_spread_ms": 0.1,
    "left_right_mismatch_db": 1.0,
}
UNITS = {
    "deviation_db": ("deviation from the target", "dB"),
    "level_spread_db": ("spread of the channel levels", "dB"),
    "arrival_spread_ms": ("spread of the arrivals", "ms"),
    "left_right_mismatch_db": ("left/right difference", "dB"),
}
PLAIN = (
    ("delays", Freedom(delays=True)),
    ("levels", Freedom(levels=True)),
    ("levels and delays", Freedom(delays=True, levels=True)),
)
WHOLE = "everything (a whole new tuning)"


@dataclass(frozen=True, eq=False)
class Retune:
    """One way to retune: what it may change, the tuning, what is to be typed, what it gives.

    `restores`: whether every figure comes back to within 10 % of what is wanted.
    """

    name: str
    tuning: Tuning
    entries: tuple[Entry, ...]
    scores: Scores
    restores: bool


@dataclass(frozen=True, eq=False)
class Retuning:
    """All ways tried, from nothing to a whole new tuning, and the one to take.

    `wanted`: the figures to come back to; `now`: those of the tuning in use.
    """

    wanted: Scores
    now: Scores
    tried: tuple[Retune, ...]
    chosen: Retune

    @property
    def needed(self) -> bool:
        """Whether anything has to be typed at all."""
        return bool(self.chosen.entries)

    @property
    def summary(self) -> str:
        """What to do and, where filters have to be typed, why less will not do."""
        if not self.needed:
            return "Nothing has to be typed: the tuning in use still gives what it gave."
        told = f"Change {self.chosen.name}: {_values(self.chosen)} to type"
        if not self.chosen.restores:
            return f"{told}. It leaves {self._left_by(self.chosen)}."
        return f"{told}, and it sounds as before.{self._why_not_less()}"

    def _why_not_less(self) -> str:
        """What the best way without filters would leave, if the chosen one asks for filters."""
        names = [name for name, _ in PLAIN]
        plain = [way for way in self.tried if way.name in names]
        if self.chosen.name in names or not plain:
            return ""
        best = min(plain, key=_badness(self.wanted))
        return (
            f" Changing {best.name} alone ({_values(best)}, way {self.tried.index(best) + 1}) "
            f"would leave {self._left_by(best)}."
        )

    def _left_by(self, way: Retune) -> str:
        return " and ".join(
            f"the {UNITS[key][0]} {getattr(way.scores, key):.2f} {UNITS[key][1]} "
            f"(it was {getattr(self.wanted, key):.2f})"
            for key in missed(way.scores, self.wanted)
        )


def smallest_retune(
    system: System,
    measured: Measured,
    tuning: Tuning,
    wanted: Scores,
    on_try: Callable[[str], None] | None = None,
) -> Retuning:
    """Try restricted retunes of `tuning` on the new measurement; see the module.

    `wanted`: figures to come back to within 10 % (what nobody hears counts as
    reached: 0.15 dB off the target, 0.3 dB of level, 0.1 ms, 1 dB left/right).
    Filters are only touched when every seat was measured; a whole new tuning is
    only worked out when nothing smaller restores. `on_try` is told what is tried
    next. Deterministic.
    """
    search = _Search(Refit.of(system, measured, tuning), wanted, on_try or (lambda _: None))
    tried = search.all()
    good = [way for way in tried if way.restores] or [min(tried, key=_badness(wanted))]
    chosen = min(good, key=lambda way: len(way.entries))
    return Retuning(wanted, tried[0].scores, tuple(tried), chosen)


@dataclass(frozen=True, eq=False)
class _Search:
    """Tries one way after another, the smallest first."""

    refit: Refit
    wanted: Scores
    on_try: Callable[[str], None]

    def all(self) -> list[Retune]:
        """Every way tried, until one restores and none with fewer values is left."""
        tried = [self.try_tuning("nothing", lambda: self.refit.tuning)]
        if tried[0].restores:
            return tried
        tried += [self.try_free(name, free) for name, free in PLAIN]
        system, measured = self.refit.aims.system, self.refit.aims.measured
        if {seat.name for seat in system.seats} - set(measured.seats):
            return tried
        if not any(way.restores for way in tried):
            tried += self.filters()
        if not any(way.restores for way in tried):
            old = self.refit.tuning
            new = plan(system, measured, old).tuning
            whole = self.try_tuning(WHOLE, lambda: new)
            tried.append(whole)
            if not whole.restores:
                tried.append(self.longer(whole))
        return tried

    def filters(self) -> list[Retune]:
        """Ways that change filters too: the subwoofers', gains alone, then as few as will do."""
        refit, tried = self.refit, []
        every = tuple(range(len(refit.sections)))
        bass = refit.sections_on(refit.subwoofers)
        both = Freedom(delays=True, levels=True)
        if bass:
            name = "levels, delays and the subwoofers' filters"
            tried.append(self.try_free(name, replace(both, sections=bass)))
        gains = replace(both, sections=every, gains_only=True)
        tried.append(self.try_free("levels, delays and the gains of filters", gains))
        most = self.try_free("levels, delays and filters", replace(both, sections=every))
        tried.append(most)
        if not most.restores:
            most = self.longer(most)
            tried.append(most)
        if most.restores:
            tried += self.fewer(most, both)
        return tried

    def longer(self, way: Retune) -> Retune:
        """The same way, fitted again from its own result until it restores, or for some rounds.

        What is judged counts most then: the seat average in third octaves.
        """
        name, rounds = f"{way.name}, fitted longer", [way]
        while len(rounds) <= LONGER and not rounds[-1].restores:
            heavy = self.again(rounds[-1].tuning, AVERAGE_WEIGHT)
            every = Freedom(True, True, tuple(range(len(heavy.sections))))
            rounds.append(self.try_tuning(name, partial(heavy.result, every)))
        return min(rounds[1:], key=_badness(self.wanted))

    def again(self, tuning: Tuning, thirds_weight: float = THIRDS_WEIGHT) -> Refit:
        """A fit that starts from a tuning tried already."""
        aims = self.refit.aims
        return Refit.of(aims.system, aims.measured, tuning, thirds_weight)

    def fewer(self, most: Retune, both: Freedom) -> list[Retune]:
        """Bisection for the smallest number of filters that still restores."""
        order, tried = self.refit.by_importance(most.tuning), []
        low, high = 0, len(order)
        while high - low > max(1, len(order) // 5):
            count = (low + high) // 2
            free = replace(both, sections=tuple(sorted(order[:count])))
            way = self.try_free(f"levels, delays and {count} filters", free)
            tried.append(way)
            low, high = (low, count) if way.restores else (count, high)
        return tried

    def try_free(self, name: str, free: Freedom) -> Retune:
        """One way by its freedom; where filters may move, fitted again from the first result."""

        def make() -> Tuning:
            first = self.refit.result(free)
            if not free.sections or free.gains_only:
                return first
            return self.again(first).result(free)

        return self.try_tuning(name, make)

    def try_tuning(self, name: str, make: Callable[[], Tuning]) -> Retune:
        """One way by its tuning, judged."""
        self.on_try(name)
        new = make()
        result = tuning_scores(self.refit.aims.system, self.refit.aims.measured, new)
        changes = entries(self.refit.tuning, new)
        return Retune(name, new, changes, result, not missed(result, self.wanted))


def tuning_scores(system: System, measured: Measured, tuning: Tuning) -> Scores:
    """The figures that a tuning is predicted to give at the measured seats."""
    found = predict(tuning, measured)
    return scores(system, found.channels, found.seats, found.impulse_responses)


def missed(found: Scores, wanted: Scores) -> tuple[str, ...]:
    """The figures that are more than 10 % off what is wanted, and can be heard."""
    return tuple(
        key
        for key, floor in FLOORS.items()
        if not getattr(found, key) <= max(WITHIN * getattr(wanted, key), floor)
    )


def _values(way: Retune) -> str:
    count = len(way.entries)
    return f"{count} value{'' if count == 1 else 's'}"


def _badness(wanted: Scores) -> Callable[[Retune], float]:
    def total(way: Retune) -> float:
        return float(
            np.sum(
                [
                    max(getattr(way.scores, key) / max(WITHIN * getattr(wanted, key), floor), 1.0)
                    for key, floor in FLOORS.items()
                ]
            )
        )

    return total


def retune_advice(measured: Measured, found: Retuning, way: Retune) -> Advice:
    """A way to retune as advice: its tuning, a proposal for each place where one types."""
    old = found.tried[0].tuning
    places = {place: list(run) for place, run in groupby(way.entries, lambda e: e.place)}
    proposals = [
        Proposal(
            step="retune",
            subject=place,
            change=_changes_text(changes),
            evidence="of all ways tried, the one with the fewest values to type that restores",
            effect=f"part of changing {way.name}",
        )
        for place, changes in places.items()
    ]
    result = Proposal(
        step="result",
        subject="whole system",
        change=f"before: {found.now}; after: {way.scores}",
        evidence="prediction from the new measurement through the exact tuning",
        effect=f"wanted, as it was: {found.wanted}",
        effect_db=round(found.now.deviation_db - way.scores.deviation_db, 2),
        refused=tuple(
            f"{other.name}: {len(other.entries)} values, {other.scores}"
            for other in found.tried
            if other is not way
        ),
    )
    before, after = predict(old, measured), predict(way.tuning, measured)
    return Advice(way.tuning, (*proposals, result), after, before, old)


def _changes_text(changes: Sequence[Entry]) -> str:
    """What changes at one place: plain values one by one, filters by their numbers."""
    plain = [e for e in changes if not e.setting.startswith("filter")]
    filters = [e for e in changes if e.setting.startswith("filter")]
    told = [
        f"{e.setting} {e.after}{' ' + e.unit if e.unit else ''} (was {e.before})" for e in plain
    ]
    if filters:
        numbers = dict.fromkeys(e.setting.split()[1] for e in filters)
        count = f"{len(filters)} value{'' if len(filters) == 1 else 's'}"
        which = f"filter{'' if len(numbers) == 1 else 's'} {', '.join(numbers)}"
        told.append(f"{count} of {which} (see the settings sheet)")
    return "; ".join(told)
