"""Bass that nothing plays for a channel: told, for it is a part of what stays off the target."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from roomtune.advisor.aims import LOW_END_DB, Aims, base_gains, levels_db, third_rows
from roomtune.advisor.layout import (
    bass_outputs_for,
    gives_bass_away,
    has_route_filters,
    shares_woofers,
)
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.scores import DEVIATION_BAND_HZ, apart_from_level_db
from roomtune.advisor.target import target_db
from roomtune.processor.tuning import Tuning
from roomtune.system.model import System

WORTH_TELLING_DB = 1.0


@dataclass(frozen=True)
class LowEnd:
    """From which third on a channel comes within 6 dB of the target.

    lost_db: rms distance from the target from 40 Hz to 16 kHz; rest_db: of the thirds
    from `from_hz` on alone.
    """

    from_hz: float
    lost_db: float
    rest_db: float


def low_end(aims: Aims, tuning: Tuning, channel: int) -> LowEnd | None:
    """Where a channel's bass ends, of its place; None when that costs it less than 1 dB."""
    centres, bands = third_rows(aims.model, DEVIATION_BAND_HZ)
    gains = base_gains(aims, tuning)[channel]
    level = levels_db(aims, channel, gains, aims.average, bands)[0]
    error = level - target_db(aims.system, centres)
    error = error - np.median(error)
    first = int(np.argmax(error > -LOW_END_DB))
    whole, rest = (np.sqrt(np.mean(apart_from_level_db(e) ** 2)) for e in (error, error[first:]))
    if whole < rest + WORTH_TELLING_DB:
        return None
    return LowEnd(float(centres[first]), float(whole), float(rest))


def low_end_proposals(aims: Aims, tuning: Tuning) -> list[Proposal]:
    """Which channels have no bass, what that costs, and what would give it to them."""
    proposals = []
    for place in aims.mains:
        found, name = low_end(aims, tuning, place), aims.model.channels[place]
        if found is None:
            continue
        proposals.append(
            Proposal(
                step="low end",
                subject=name,
                change=f"nothing below {found.from_hz:.0f} Hz is asked of it",
                evidence="its outputs do not play lower; " + _why_alone(aims.system, name),
                effect=f"its distance from the target, {found.lost_db:.1f} dB from "
                f"{DEVIATION_BAND_HZ[0]:.0f} Hz on, is {found.rest_db:.1f} dB without that bass",
                effect_db=round(found.rest_db - found.lost_db, 1),
                refused=("lifting it: a driver is not asked for what it cannot give",),
            )
        )
    return proposals


def _why_alone(system: System, channel: str) -> str:
    """Why no other output plays a channel's bass."""
    loudspeaker = system.loudspeaker_of(channel)
    if loudspeaker is not None and gives_bass_away(system, loudspeaker):
        names = ", ".join(output.name for output in bass_outputs_for(system, channel))
        return f"nor do those that play its bass ({names})"
    if "bass redirection" in system.wishes.forbid:
        return "redirecting it is forbidden in [wishes]"
    if shares_woofers(system) and not has_route_filters(system):
        return (
            "the woofers that do belong to other channels, and neither filters on routes nor a "
            "low crossover of their own would keep all but the bass from them: a subwoofer would "
            "play it"
        )
    return "a subwoofer would play it"
