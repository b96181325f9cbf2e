"""FIR filters on the loudspeakers' outputs, where the processor has taps.

All drivers of a loudspeaker, and left and right, get the same taps, so that no
sum of drivers changes. Their level takes away what the other filters leave over
above the lowest frequency that the taps resolve, broadly and without filling
dips. With "mixed phase" they also undo the phase that the crossovers turn; what
that puts before the arrival is bounded at every seat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import (
    Aims,
    base_gains,
    levels_db,
    narrow_dips,
    row_trust,
    smooth_rows,
)
from roomtune.advisor.alignment import own_outputs
from roomtune.advisor.channel_filters import Group, boost_room_db, channel_groups
from roomtune.advisor.effects import Levels, levels_of, off_target
from roomtune.advisor.fir_design import designed_taps, faded, lowest_hz, turns_faded
from roomtune.advisor.fir_phase import (
    crossover_phase_rad,
    phase_distance_deg,
    phase_grid_hz,
    phase_left_rad,
)
from roomtune.advisor.prediction import predict
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.settings import moved, with_outputs
from roomtune.advisor.target import target_db
from roomtune.processor.filters import filter_taps
from roomtune.processor.tuning import Filter, Tuning
from roomtune.signal.values import FrequencyResponse

Array = NDArray[np.float64]
HIGHEST_HZ, SMOOTH_OCTAVES = 17e3, 1 / 3
DEEPEST_DB, IDLE_DB = 6.0, 0.25
WORTH_DB, PRICE_DB, ELSEWHERE_DB, PHASE_PRICE_DB = 0.03, 0.25, 0.05, 0.05
LONGEST_LEAD_MS, EARLY_MS, EARLY_FROM_HZ = 6.0, 1.0, 200.0
PRE_RINGING_DB, REACHES = -35.0, (1.0, 0.6, 0.35, 0.2)
WORTH_DEG = 5.0
IDLE = "what the other filters leave over is too little, or would cost level at some seat"
TOO_LATE = "mixed phase: the outputs without taps cannot be delayed as much as it asks for"


@dataclass(frozen=True)
class Fir:
    """Taps for a group of channels: how many stand before the peak, how many of them are used."""

    group: Group
    taps: tuple[float, ...]
    lead: int
    reach: int


def with_fir(aims: Aims, tuning: Tuning) -> tuple[Tuning, list[Proposal]]:
    """The tuning with FIR filters wherever they serve, and why."""
    processor = aims.system.processor
    count = processor.fir_taps_per_output
    low = lowest_hz(max(count, 1), tuning.sample_rate_hz)
    if low > HIGHEST_HZ / 8:
        few = f"so few can change nothing below {low:.0f} Hz"
        return tuning, [_unused("whole system", count, few)] if count else []
    groups = channel_groups(aims)
    mixed = aims.system.wishes.fir == "mixed phase"
    if mixed and (lead := _lead(aims, tuning, count)):
        return _mixed_phase(aims, tuning, groups, lead)
    told: list[Proposal] = []
    for group in groups:
        fir = Fir(group, _taps(aims, tuning, group, 0, 0), 0, 0)
        trial = _placed(aims, tuning, fir)
        if _serves(aims, tuning, trial, group, -WORTH_DB):
            proposal = _proposal(aims, tuning, trial, fir)
            told.append(replace(proposal, refused=(TOO_LATE,)) if mixed else proposal)
            tuning = trial
        else:
            told.append(_unused(", ".join(group), count, IDLE))
    return tuning, told


def _unused(subject: str, count: int, why: str) -> Proposal:
    return Proposal(
        step="FIR unused",
        subject=subject,
        change=f"the {count} taps of each output stay unused",
        evidence=why,
        effect="",
    )


def _lead(aims: Aims, tuning: Tuning, count: int) -> int:
    """Taps before the peak; 0 where the other outputs could not be delayed as much."""
    lead = min(count // 2, int(LONGEST_LEAD_MS * tuning.sample_rate_hz / 1000))
    latest = max(o.delay_ms for o in tuning.outputs)
    room = aims.system.processor.delay_ms.maximum - latest
    return lead if room >= 1000 * lead / tuning.sample_rate_hz else 0


def _mixed_phase(
    aims: Aims, tuning: Tuning, groups: Sequence[Group], lead: int
) -> tuple[Tuning, list[Proposal]]:
    """Every group with the most taps that keep the bound; other outputs wait for the taps.

    All comparisons are made with every output equally late.
    """
    per_ms = tuning.sample_rate_hz / 1000
    named = {name for group in groups for c in group for name in own_outputs(aims.system, c)}
    rest = [o.name for o in tuning.outputs if o.name not in named]
    waiting = moved(tuning, delays_ms=dict.fromkeys(rest, lead / per_ms))
    for group in groups:
        pure = np.zeros(aims.system.processor.fir_taps_per_output)
        pure[lead] = 1.0
        waiting = _placed(aims, waiting, Fir(group, tuple(pure.tolist()), lead, 0))
    told, unused, count = [], [], aims.system.processor.fir_taps_per_output
    for group in groups:
        found = _strongest(aims, waiting, group, lead)
        if found is None:
            unused.append(_unused(", ".join(group), count, IDLE))
        else:
            told.append(_proposal(aims, waiting, found[1], found[0]))
            waiting = found[1]
    return waiting if told else tuning, [*told, *unused]


def _strongest(aims: Aims, tuning: Tuning, group: Group, lead: int) -> tuple[Fir, Tuning] | None:
    """The FIR that undoes most phase within the bound of pre-ringing, None where none serves."""
    before = early_db(aims, tuning, group)
    for reach in (*(int(share * lead) for share in REACHES), 0):
        fir = Fir(group, _taps(aims, tuning, group, lead, reach), lead, reach)
        trial = _placed(aims, tuning, fir)
        worth = -WORTH_DB
        if reach:
            turned, left = turned_deg(aims, tuning, fir)
            worth = PHASE_PRICE_DB if turned - left >= WORTH_DEG else worth
        bound = np.maximum(PRE_RINGING_DB, before + 1.0)
        if np.all(early_db(aims, trial, group) <= bound) and _serves(
            aims, tuning, trial, group, worth
        ):
            return fir, trial
    return None


def turned_deg(aims: Aims, tuning: Tuning, fir: Fir) -> tuple[float, float]:
    """Phase that a group's crossovers turn, and what its taps leave of it, degrees rms.

    From the lowest frequency that the taps resolve to the highest that they act on.
    """
    grid, rate = phase_grid_hz(tuning), tuning.sample_rate_hz
    turned = crossover_phase_rad(aims.system, tuning, fir.group)
    left = phase_left_rad(grid, turned, np.array(fir.taps), fir.lead, rate)
    band = (lowest_hz(len(fir.taps), rate), HIGHEST_HZ)
    return phase_distance_deg(grid, turned, *band), phase_distance_deg(grid, left, *band)


def early_db(aims: Aims, tuning: Tuning, group: Group) -> Array:
    """Highest that comes more than 1 ms before the arrival, re the peak, (channels x seats,).

    Above 200 Hz, where a gate of milliseconds can tell before from after.
    """
    wanted = tuple(c for c in tuning.channels if c.name in group)
    routes = tuple(r for r in tuning.routes if r.channel in group)
    prediction = predict(replace(tuning, channels=wanted, routes=routes), aims.measured)
    hz = prediction.response.frequencies_hz
    high = 1 / (1 + (EARLY_FROM_HZ / np.maximum(hz, 1.0)) ** 4)
    filtered = FrequencyResponse(hz, prediction.response.values * high)
    samples = np.abs(replace(prediction, response=filtered).impulse_responses.samples)
    samples = samples.reshape(-1, samples.shape[-1])
    onsets = np.argmax(samples >= samples.max(axis=-1, keepdims=True) / 3, axis=-1)
    apart, reach = (
        int(ms * prediction.sample_rate_hz / 1000) for ms in (EARLY_MS, 4 * LONGEST_LEAD_MS)
    )
    found = [
        row[np.arange(first - reach, first - apart) % len(row)].max() / row.max()
        for row, first in zip(samples, onsets.tolist(), strict=True)
    ]
    return np.asarray(20 * np.log10(np.maximum(found, 1e-6)))


def _taps(aims: Aims, tuning: Tuning, group: Group, lead: int, reach: int) -> tuple[float, ...]:
    """The taps of a group as the processor will hold them; with a reach they undo phase."""
    count, rate = aims.system.processor.fir_taps_per_output, tuning.sample_rate_hz
    low = lowest_hz(count, rate)
    hz, gain = correction_db(aims, tuning, group, low)
    phase = np.zeros(len(hz))
    if reach:
        grid = phase_grid_hz(tuning)
        turned = crossover_phase_rad(aims.system, tuning, group)
        undone = turns_faded(grid, turned, low, HIGHEST_HZ)
        phase = -np.interp(np.log(hz), np.log(grid), undone)
    samples = designed_taps(hz, gain, phase, count, rate, lead, reach)
    return tuple(filter_taps(Filter("fir", taps=tuple(samples.tolist())), tuning.number_format))


def correction_db(aims: Aims, tuning: Tuning, group: Group, low_hz: float) -> tuple[Array, Array]:
    """Frequencies and gain, (k,), that would bring the group's seat average to the target.

    Smoothed over a third of an octave, not lifted in narrow dips, as far as the
    noise allows, within the boost that is left; 0 below `low_hz`.
    """
    top = min(HIGHEST_HZ, 0.45 * tuning.sample_rate_hz)
    centres, bands, widths = smooth_rows(aims.model, max(low_hz, 20.0), top)
    gains = base_gains(aims, tuning, whole_samples=True)
    wanted = target_db(aims.system, centres)
    change = np.zeros(len(centres))
    for name in group:
        c = aims.model.channels.index(name)
        level = levels_db(aims, c, gains[c], aims.average, bands)[0]
        missing = wanted - level
        missing = missing - np.average(missing, weights=widths)
        missing = np.where(narrow_dips(centres, level), np.minimum(missing, 0), missing)
        change += missing * row_trust(aims, c, gains[c], aims.average, bands)[0] / len(group)
    distance = np.abs(np.log2(centres[:, None] / centres[None]))
    near = (distance <= SMOOTH_OCTAVES / 2) * widths
    smooth = near @ change / near.sum(axis=1)
    outputs = [name for channel in group for name in own_outputs(aims.system, channel)]
    bounded = np.clip(smooth, -DEEPEST_DB, boost_room_db(aims, tuning, outputs))
    return centres, faded(centres, bounded, low_hz, top)


def _placed(aims: Aims, tuning: Tuning, fir: Fir) -> Tuning:
    """The tuning with the taps on all outputs of the group's loudspeakers."""
    item = Filter("fir", taps=fir.taps)
    names = [name for channel in fir.group for name in own_outputs(aims.system, channel)]
    changed = {}
    for name in names:
        setting = tuning.output(name)
        others = tuple(f for f in setting.filters if f.type != "fir")
        changed[name] = replace(setting, filters=(*others, item))
    return with_outputs(tuning, changed)


def _serves(aims: Aims, before: Tuning, after: Tuning, group: Group, most_worse_db: float) -> bool:
    """Whether the group's distance from the target changes by no more than that, nobody pays."""
    then, now = levels_of(aims, before), levels_of(aims, after)
    if off_target(group)(now) - off_target(group)(then) > most_worse_db:
        return False
    others = [name for name in now.channels if name not in group]
    if any(off_target((n,))(now) - off_target((n,))(then) > ELSEWHERE_DB for n in others):
        return False
    seats = range(len(now.weights))
    return all(_at(now, s, group) - _at(then, s, group) <= PRICE_DB for s in seats)


def _at(levels: Levels, seat: int, group: Group) -> float:
    alone = np.zeros(len(levels.weights))
    alone[seat] = 1.0
    return off_target(group)(replace(levels, weights=alone))


def _proposal(aims: Aims, before: Tuning, after: Tuning, fir: Fir) -> Proposal:
    names = [name for channel in fir.group for name in own_outputs(aims.system, channel)]
    low = lowest_hz(len(fir.taps), after.sample_rate_hz)
    hz, gain = correction_db(aims, before, fir.group, low)
    strongest = int(np.argmax(np.abs(gain)))
    late_ms = 1000 * fir.lead / after.sample_rate_hz
    kind = f"mixed phase, the peak {late_ms:.1f} ms late" if fir.lead else "minimum phase"
    effect: list[str] = []
    refused: tuple[str, ...] = ()
    if fir.reach:
        degrees = turned_deg(aims, before, fir)
        effect.append(
            f"the phase that the crossovers turn goes from {degrees[0]:.0f} to "
            f"{degrees[1]:.0f} degrees rms; what comes over {EARLY_MS:g} ms early stays "
            f"{-early_db(aims, after, fir.group).max():.0f} dB under the peak at every seat"
        )
    if fir.reach < fir.lead and turned_deg(aims, before, fir)[0] > WORTH_DEG:
        refused = (
            f"undoing the phase over more than {1000 * fir.reach / after.sample_rate_hz:.1f} ms: "
            "it would be heard before the sound itself, or cost level somewhere",
        )
    return Proposal(
        step="FIR",
        subject=", ".join(fir.group),
        change=f"{len(fir.taps)} taps, {kind}, the same on {', '.join(names)}; up to "
        f"{gain[strongest]:+.1f} dB, at {hz[strongest]:.0f} Hz (roomtune export fir)",
        evidence=f"what the other filters leave over from {low:.0f} Hz on, over all seats, "
        "a third of an octave wide",
        effect="; ".join(effect),
        refused=refused,
        figures={"lead_taps": (float(fir.lead),)},
    )


def without_fir(tuning: Tuning, outputs: Sequence[str], lead: int) -> Tuning:
    """The tuning with taps that only delay, to tell what the others are worth."""
    changed = {}
    for name in outputs:
        setting = tuning.output(name)
        pure = (*(0.0,) * lead, 1.0)
        filters = tuple(replace(f, taps=pure) if f.type == "fir" else f for f in setting.filters)
        changed[name] = replace(setting, filters=filters)
    return with_outputs(tuning, changed)
