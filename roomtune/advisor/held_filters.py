"""Filters as the processor's number format holds them, and what is told about it.

The prediction always uses the coefficients as held. Where they spoil a filter,
values beside the wanted ones that are held better take its place.
"""

from __future__ import annotations

from roomtune.advisor.proposal import Proposal
from roomtune.processor.precision import PrecisionWarning, precision_warnings
from roomtune.processor.steadying import steadied
from roomtune.processor.tuning import Filter, Tuning
from roomtune.system.model import System

TOLD_DB = 0.1


def held_better(system: System, tuning: Tuning) -> Tuning:
    """The tuning with spoiled filters moved to nearby values that are held better."""
    return steadied(tuning, system.processor, TOLD_DB)


def format_proposals(before: Tuning, after: Tuning) -> list[Proposal]:
    """What was moved for the number format, and which filters it still spoils.

    before, after: the tuning before and after `held_better`.
    """
    spoiled = {item.where: item for item in precision_warnings(before, limit_db=TOLD_DB)}
    left = {item.where: item for item in precision_warnings(after, limit_db=TOLD_DB)}
    moved = dict(_moved(before, after))
    places = {where.split(",")[0] for where in (*spoiled, *left)}
    proposals = []
    for place in sorted(places):
        wheres = [w for w in spoiled if w.split(",")[0] == place]
        changes = [moved[w] for w in wheres if w in moved]
        still = [left[w] for w in left if w.split(",")[0] == place]
        proposals.append(
            _proposal(place, [spoiled[w] for w in wheres], changes, still, after.number_format)
        )
    return proposals


def _proposal(
    place: str,
    spoiled: list[PrecisionWarning],
    changes: list[str],
    still: list[PrecisionWarning],
    style: str,
) -> Proposal:
    worst = max((item.effect.error_db for item in spoiled or still), default=0.0)
    left = max((item.effect.error_db for item in still), default=0.0)
    return Proposal(
        step="number format",
        subject=place.removeprefix("output "),
        change="; ".join(changes) or "nothing nearby is held better",
        evidence=f"coefficients held as {style} bend "
        f"{len(spoiled)} {'filter' if len(spoiled) == 1 else 'filters'} by up to {worst:.2g} dB",
        effect=f"at most {left:.2g} dB after that, and part of the prediction"
        if left
        else f"all within {TOLD_DB:g} dB, and part of the prediction",
        effect_db=round(worst - left, 2) if worst < 1e3 and left < 1e3 else None,
        uncertainty_db=0.0 if worst < 1e3 and left < 1e3 else None,
        refused=tuple(item.text for item in still),
    )


def _moved(before: Tuning, after: Tuning) -> list[tuple[str, str]]:
    """Filters that changed, by the name of their place, with what changed."""
    rows = [
        *((f"channel {c.name}", c.filters) for c in before.channels),
        *((f"route {r.channel} to {r.output}", r.filters) for r in before.routes),
        *((f"output {o.name}", o.filters) for o in before.outputs),
    ]
    new = [
        *(channel.filters for channel in after.channels),
        *(route.filters for route in after.routes),
        *(output.filters for output in after.outputs),
    ]
    return [
        (f"{where}, filter {number}", _change(was, now))
        for (where, old), held in zip(rows, new, strict=True)
        for number, (was, now) in enumerate(zip(old, held, strict=True), start=1)
        if was != now
    ]


def _change(was: Filter, now: Filter) -> str:
    parts = []
    if was.frequency_hz != now.frequency_hz:
        parts.append(f"{now.frequency_hz:g} Hz instead of {was.frequency_hz:g}")
    if was.q != now.q:
        parts.append(f"Q {now.q:g} instead of {was.q:g}")
    return f"{now.type} at {', '.join(parts)}"
