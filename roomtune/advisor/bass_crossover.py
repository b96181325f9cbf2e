"""Where small loudspeakers hand their bass to the subwoofers.

Each frequency of a short list is tried on the measured responses with the
subwoofers at their level, delay and polarity for it. Judged are what a common
equaliser can mend only in part (deviation of the seat average from the target
and of the seats from each other, 35 to 250 Hz), what is lost to phase through
the crossover, and what is preferred by common practice (no source): 80 Hz, an
octave's reserve of the small loudspeakers, no subwoofer that can be located.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains, levels_db, smooth_rows
from roomtune.advisor.arrangement import subwoofer_places
from roomtune.advisor.bands import UsableBand
from roomtune.advisor.layout import (
    bass_outputs,
    gives_bass_away,
    has_route_filters,
    offered_slope,
    ordered_outputs,
    shared_crossover_hz,
)
from roomtune.advisor.settings import moved, with_crossover
from roomtune.advisor.sounds import DirectSoundTable
from roomtune.advisor.starting import LFE_LIMIT_HZ, STARTING_BASS_HZ, starting_routes
from roomtune.advisor.subwoofers import bass_gain_db, joined, junction, together_ms
from roomtune.advisor.target import target_db
from roomtune.processor.tuning import Filter, Tuning
from roomtune.system.model import System

TRIED_HZ = (60.0, 70.0, 80.0, 90.0, 100.0, 120.0, 140.0, 160.0)
JUDGED_HZ = (35.0, 250.0)
DEVIATION_WEIGHT, SPREAD_WEIGHT = 0.5, 0.5
OFF_80_DB, LOCATED_DB, LOCATED_HZ = 0.25, 0.6, 100.0
RESERVE, RESERVE_DB, LFE_LOST_DB = 1.3, 1.5, 0.3
Array = NDArray[np.float64]


@dataclass(frozen=True)
class BassChoice:
    """A bass crossover with what it costs, dB: deviation, spread and loss as predicted."""

    frequency_hz: float
    deviation_db: float
    spread_db: float
    loss_db: float
    preference_db: float

    @property
    def cost_db(self) -> float:
        """All of it in one figure; less is better."""
        return (
            DEVIATION_WEIGHT * self.deviation_db
            + SPREAD_WEIGHT * self.spread_db
            + self.loss_db
            + self.preference_db
        )

    def __str__(self) -> str:
        return (
            f"{self.frequency_hz:g} Hz: {self.deviation_db:.1f} dB off the target before "
            f"equalising, seats {self.spread_db:.1f} dB apart, {self.loss_db:.1f} dB lost to phase"
        )


def giving(system: System) -> tuple[str, ...]:
    """Loudspeakers whose bass goes to subwoofers."""
    return tuple(s.name for s in system.loudspeakers if gives_bass_away(system, s))


def candidates_hz(system: System, bands: tuple[UsableBand, ...]) -> tuple[float, ...]:
    """Frequencies that the subwoofers reach and that spare the small loudspeakers."""
    usable = {band.output: band for band in bands}
    lows = [usable[ordered_outputs(system, name)[0].name].low_hz for name in giving(system)]
    tops = [min(o.safe_band_hz[1], usable[o.name].high_hz) for o in bass_outputs(system)]
    top = min(tops, default=STARTING_BASS_HZ)
    found = tuple(f for f in TRIED_HZ if f <= top and f >= 0.9 * max(lows, default=0.0))
    return found or (float(min(STARTING_BASS_HZ, top)),)


def with_bass_crossover(system: System, tuning: Tuning, frequency_hz: float) -> Tuning:
    """The tuning with its bass crossover moved; crossovers between drivers stay."""
    filters = {(r.channel, r.output): r.filters for r in starting_routes(system, frequency_hz)}
    routes = tuple(replace(r, filters=filters[r.channel, r.output]) for r in tuning.routes)
    tuning = replace(tuning, routes=routes)
    family, order = offered_slope(system.processor, "Linkwitz-Riley", 4)
    for name in giving(system):
        lowest = ordered_outputs(system, name)[0]
        corner = max(frequency_hz, lowest.safe_band_hz[0])
        high_pass = Filter("high pass", float(corner), family=family, order=order)
        tuning = with_crossover(tuning, lowest.name, high_pass)
    for output in bass_outputs(system):
        alone = system.loudspeaker(output.loudspeaker).channel is None
        if alone and not has_route_filters(system):
            low_pass = Filter("low pass", frequency_hz, family=family, order=order)
            tuning = with_crossover(tuning, output.name, low_pass)
    return tuning


def handed_over(system: System, tuning: Tuning, bass_hz: float) -> tuple[Tuning, float]:
    """The tuning with small loudspeakers beginning where the woofers' own low passes end.

    Only where woofers play the bass of others without filters on routes; with the
    crossover, which otherwise stays what it was.
    """
    if shared_crossover_hz(system) is None:
        return tuning, bass_hz
    filters = [f for o in bass_outputs(system) for f in tuning.output(o.name).filters]
    low_passes = [f for f in filters if f.type == "low pass" and f.frequency_hz]
    if not low_passes:
        return tuning, bass_hz
    highest = max(low_passes, key=lambda f: f.frequency_hz or 0.0)
    for name in giving(system):
        lowest = ordered_outputs(system, name)[0]
        corner = max(float(highest.frequency_hz or bass_hz), lowest.safe_band_hz[0])
        high_pass = replace(highest, type="high pass", frequency_hz=corner)
        tuning = with_crossover(tuning, lowest.name, high_pass)
    return tuning, float(highest.frequency_hz or bass_hz)


def bass_choices(
    aims: Aims,
    tuning: Tuning,
    table: DirectSoundTable,
    arrival_ms: float,
    bands: tuple[UsableBand, ...],
) -> tuple[BassChoice, ...]:
    """All frequencies tried, the best first; none without subwoofers or small loudspeakers.

    `tuning`: drivers joined and loudspeakers aligned, arriving at `arrival_ms`.
    """
    system = aims.system
    if not subwoofer_places(aims) or not giving(system):
        return ()
    usable = {band.output: band.low_hz for band in bands}
    lows = [usable[ordered_outputs(system, name)[0].name] for name in giving(system)]
    found = [
        _tried(aims, with_bass_crossover(system, tuning, f), table, arrival_ms, f, max(lows))
        for f in candidates_hz(system, bands)
    ]
    return tuple(sorted(found, key=lambda choice: (choice.cost_db, choice.frequency_hz)))


def _tried(
    aims: Aims,
    tuning: Tuning,
    table: DirectSoundTable,
    arrival_ms: float,
    frequency_hz: float,
    lowest_hz: float,
) -> BassChoice:
    names = [aims.model.outputs[place] for place in subwoofer_places(aims)]
    delays = dict(zip(names, together_ms(aims, table, arrival_ms), strict=True))
    tuning = moved(tuning, delays_ms=delays)
    change = bass_gain_db(aims, tuning, frequency_hz)
    tuning = moved(tuning, gains_db=dict.fromkeys(names, change))
    meeting = junction(aims, tuning, frequency_hz)
    deviation, spread = _judged(aims, joined(aims, tuning, meeting))
    preference = preference_db(aims.system, frequency_hz, lowest_hz)
    return BassChoice(frequency_hz, deviation, spread, meeting.loss_db, preference)


def _judged(aims: Aims, tuning: Tuning) -> tuple[float, float]:
    """Deviation of the seat average and of the seats, rms over channels that give bass away."""
    centres, bands, _ = smooth_rows(aims.model, *JUDGED_HZ)
    wanted, gains = target_db(aims.system, centres), base_gains(aims, tuning)
    places, seats = subwoofer_places(aims), np.eye(len(aims.model.seats))
    off, apart = [], []
    for c in aims.mains:
        if not set(places) & set(aims.model.members[c].tolist()):
            continue
        error = levels_db(aims, c, gains[c], aims.average, bands)[0] - wanted
        off.append(float(np.var(error)))
        each = levels_db(aims, c, gains[c], seats, bands)
        mean = aims.average[0] @ each
        apart.append(float(np.mean(aims.average[0] @ (each - mean) ** 2)))
    return float(np.sqrt(np.mean(off))), float(np.sqrt(np.mean(apart)))


def preference_db(system: System, frequency_hz: float, lowest_hz: float) -> float:
    """What a frequency costs beside its sum."""
    cost = OFF_80_DB * abs(np.log2(frequency_hz / STARTING_BASS_HZ))
    cost += LOCATED_DB * max(np.log2(frequency_hz / LOCATED_HZ), 0.0)
    cost += RESERVE_DB * max(np.log2(RESERVE * lowest_hz / frequency_hz), 0.0)
    if not has_route_filters(system) and any(c.kind != "main" for c in system.channels):
        cost += LFE_LOST_DB * max(np.log2(LFE_LIMIT_HZ / frequency_hz), 0.0)
    return float(cost)
