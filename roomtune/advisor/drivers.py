"""Joining the drivers of every multi-way loudspeaker: crossovers put into the tuning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roomtune.advisor.aims import Aims
from roomtune.advisor.bands import UsableBand
from roomtune.advisor.crossovers import Choice, candidates, overlap_hz, ranked
from roomtune.advisor.joints import direct_pair
from roomtune.advisor.layout import bass_outputs, ordered_outputs, shared_crossover_hz
from roomtune.advisor.polarity import signs
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.settings import moved, turned_over, with_crossover
from roomtune.advisor.sounds import DirectSoundTable
from roomtune.processor.tuning import Tuning
from roomtune.system.model import Output, System

ALTERNATIVES = 3


def join_drivers(
    aims: Aims, tuning: Tuning, table: DirectSoundTable, bands: tuple[UsableBand, ...]
) -> tuple[Tuning, list[Proposal]]:
    """Choose and set all crossovers inside loudspeakers; one slope for those alike."""
    system = aims.system
    usable = {band.output: band for band in bands}
    proposals: list[Proposal] = []
    for kind in loudspeaker_kinds(system):
        rows = [ordered_outputs(system, name) for name in kind]
        for place in range(len(rows[0]) - 1):
            pairs = [(row[place], row[place + 1]) for row in rows]
            pinned = _pinned(system, kind, place, len(rows[0]) - 1)
            overlap = (pinned, pinned) if pinned else _common_overlap(pairs, usable)
            overlap = _low_enough(system, pairs, overlap)
            choices = _choices(aims, tuning, pairs, overlap, pinned, table)
            above = [output.name for row in rows for output in row[place + 1 :]]
            choices = _unturned(system, above, choices)
            tuning = _joined(tuning, pairs, choices[0], rows, place)
            proposals.append(_proposal(kind, pairs, choices, overlap, pinned))
    return tuning, proposals


def _unturned(system: System, above: list[str], choices: list[Choice]) -> list[Choice]:
    """The choices that leave the upper drivers' polarity alone, where any of them is pinned."""
    if not set(above) & set(system.wishes.polarities):
        return choices
    return [c for c in choices if not any(joint.inverted for joint in c.joints)]


def loudspeaker_kinds(system: System) -> list[tuple[str, ...]]:
    """Loudspeakers of more than one driver, grouped by the drivers they have."""
    kinds: dict[tuple[object, ...], list[str]] = {}
    for loudspeaker in system.loudspeakers:
        row = ordered_outputs(system, loudspeaker.name)
        if len(row) > 1:
            pinned = system.wishes.crossovers_hz.get(loudspeaker.name, ())
            key = (tuple((o.driver, o.safe_band_hz) for o in row), tuple(pinned))
            kinds.setdefault(key, []).append(loudspeaker.name)
    return [tuple(names) for names in kinds.values()]


def _pinned(system: System, kind: tuple[str, ...], place: int, count: int) -> float | None:
    wanted = system.wishes.crossovers_hz.get(kind[0], ())
    return float(wanted[place]) if len(wanted) == count else None


def _common_overlap(
    pairs: list[tuple[Output, Output]], usable: dict[str, UsableBand]
) -> tuple[float, float]:
    """Where the drivers of all these loudspeakers overlap."""
    each = [overlap_hz(low, high, (usable[low.name], usable[high.name])) for low, high in pairs]
    low, high = max(o[0] for o in each), min(o[1] for o in each)
    return (low, high) if low < high else overlap_hz(*pairs[0])


def _low_enough(
    system: System, pairs: list[tuple[Output, Output]], overlap: tuple[float, float]
) -> tuple[float, float]:
    """The overlap, ending where woofers must that play the bass of others by their own low pass."""
    shared, names = shared_crossover_hz(system), {output.name for output in bass_outputs(system)}
    if shared is None or not any(low.name in names for low, _ in pairs):
        return overlap
    return overlap[0], max(overlap[0], min(overlap[1], shared))


def _choices(
    aims: Aims,
    tuning: Tuning,
    pairs: list[tuple[Output, Output]],
    overlap: tuple[float, float],
    pinned: float | None,
    table: DirectSoundTable,
) -> list[Choice]:
    """All settings for these pairs of drivers, the best first; reversed drivers put right."""
    turned = signs(tuning)
    directs = []
    for low, high in pairs:
        places = [aims.measured.outputs.index(output.name) for output in (low, high)]
        delay = float(np.diff(table.times_ms[places])[0]) / 1e3
        known = delay if np.isfinite(delay) and aims.measured.timed else None
        pair = direct_pair(aims.measured, low, high, aims.average[0], overlap, known)
        flips = [-1.0 if turned[output.name] else 1.0 for output in (low, high)]
        directs.append(replace(pair, lower=pair.lower * flips[0], upper=pair.upper * flips[1]))
    tries = candidates(aims.system, pairs[0][1], overlap, pinned)
    if not tries:
        tries = candidates(aims.system, pairs[0][1], overlap, overlap[1])
    return ranked(directs, overlap, tries, aims.system.processor, pairs[0])


def _joined(
    tuning: Tuning,
    pairs: list[tuple[Output, Output]],
    choice: Choice,
    rows: list[tuple[Output, ...]],
    place: int,
) -> Tuning:
    """The tuning with the slope on both drivers; all drivers above move with the upper one."""
    for (lower, upper), joint, row in zip(pairs, choice.joints, rows, strict=True):
        tuning = with_crossover(tuning, lower.name, choice.slope.low_pass)
        tuning = with_crossover(tuning, upper.name, choice.slope.high_pass)
        base = tuning.output(lower.name)
        above = [output.name for output in row[place + 1 :]]
        delays = {
            name: base.delay_ms + joint.delay_ms - tuning.output(upper.name).delay_ms
            for name in above
        }
        tuning = moved(tuning, dict.fromkeys(above, base.gain_db + joint.gain_db), delays)
        if joint.inverted:
            tuning = turned_over(tuning, above)
    return tuning


def _proposal(
    kind: tuple[str, ...],
    pairs: list[tuple[Output, Output]],
    choices: list[Choice],
    overlap: tuple[float, float],
    pinned: float | None,
) -> Proposal:
    best = choices[0]
    ripple = sum(joint.ripple_db for joint in best.joints) / len(best.joints)
    loss = sum(joint.loss_db for joint in best.joints) / len(best.joints)
    joints = "; ".join(
        f"{upper.name} {'inverted, ' if joint.inverted else ''}{abs(joint.delay_ms):.3f} ms "
        f"{'later' if joint.delay_ms >= 0 else 'earlier'} and {joint.gain_db:+.1f} dB "
        f"against {lower.name}"
        for (lower, upper), joint in zip(pairs, best.joints, strict=True)
    )
    others = tuple(
        f"{other.slope}: {other.ripple_db:.2f} dB rms from a perfect joint, {other.loss_db:.2f} dB "
        f"lost to phase; {_cost(other, best)}" + _asked(other)
        for other in _different(choices)
    )
    why = (
        "pinned in [wishes]"
        if pinned
        else f"both drivers play well from {overlap[0]:.0f} to {overlap[1]:.0f} Hz"
    )
    return Proposal(
        step="crossover",
        subject=", ".join(kind),
        change=f"cross over at {best.slope}; {joints}",
        evidence=f"{why}; of {len(choices)} settings tried on the direct sound in the takes of "
        f"{', '.join(f'{low.name} and {high.name}' for low, high in pairs)} this one sums best, "
        "or as well and asks less" + _asked(best),
        effect=f"direct sound within {ripple:.2f} dB rms of a perfect joint, "
        f"{loss:.2f} dB lost to phase",
        effect_db=round(loss, 3),
        refused=others,
    )


def _asked(choice: Choice) -> str:
    """What a choice asks of its drivers, and what that counts."""
    asked, cost_db = str(choice.burden), choice.burden.cost_db
    counts = f" (counts {cost_db:.2f} dB)" if cost_db else ""
    return f"; {asked}{counts}" if asked else ""


def _cost(other: Choice, best: Choice) -> str:
    """What an alternative costs: in its sum, else in what makes it less safe a choice."""
    worse_db = other.sum_db - best.sum_db
    if worse_db > 0.005:
        return f"sums {worse_db:.2f} dB worse than the chosen one"
    return (
        f"sums {-worse_db:.2f} dB better, but asks more of the drivers, lies farther from the "
        "middle of where both play well, or its slopes are uneven or not of order 4"
    )


def _different(choices: list[Choice]) -> list[Choice]:
    """The best alternatives that differ by more than a neighbouring frequency."""
    best = choices[0].slope
    seen = {(best.family, best.low_order, best.high_order)}
    found: list[Choice] = []
    for choice in choices[1:]:
        key = (choice.slope.family, choice.slope.low_order, choice.slope.high_order)
        if key not in seen and len(found) < ALTERNATIVES:
            seen.add(key)
            found.append(choice)
    return found
