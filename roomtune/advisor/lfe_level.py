"""LFE 10 dB louder in its band than the other channels (ITU-R BS.775).

Heard, not reckoned: the other channels are trimmed after their own levels, and
woofers that share the LFE add up as the room lets them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roomtune.advisor.aims import Aims, base_gains, levels_db, third_rows
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.starting import LFE_GAIN_DB, LFE_LIMIT_HZ
from roomtune.advisor.target import target_db
from roomtune.processor.rounding import rounded_to
from roomtune.processor.tuning import Tuning

LEVEL_HZ = (200.0, 4000.0)
LOWEST_HZ, WITHIN, PASSED = 31.5, 1.2, 0.7


def lfe_excess_db(aims: Aims, tuning: Tuning, channel: str) -> float:
    """How much louder than wanted a channel of low-frequency effects is over the seats, dB.

    Median of the thirds that its outputs play and its low passes do not weaken yet,
    against the target at the level that the main channels have from 200 Hz to 4 kHz.
    NaN where there is nothing to compare.
    """
    model, system = aims.model, aims.system
    place = model.channels.index(channel)
    outputs = [model.outputs[member] for member in model.members[place]]
    if not outputs or not aims.mains:
        return float("nan")
    gains = base_gains(aims, tuning)
    _, high = third_rows(model, LEVEL_HZ)
    deepest_hz = float(aims.measured.bands_hz[model.members[place], 0].min())
    lowest_hz = max(LOWEST_HZ, WITHIN * deepest_hz)
    top_hz = PASSED * _corner_hz(tuning, channel, outputs)
    _, low = third_rows(model, (lowest_hz, max(top_hz, 1.3 * lowest_hz)))
    target = target_db(system, model.centres_hz)
    mains = [
        np.mean(levels_db(aims, c, gains[c], aims.average, high)[0] - high @ target)
        for c in aims.mains
    ]
    heard = levels_db(aims, place, gains[place], aims.average, low)[0] - low @ target
    return float(np.median(heard) - np.mean(mains) - LFE_GAIN_DB)


def _corner_hz(tuning: Tuning, channel: str, outputs: list[str]) -> float:
    """The lowest low pass on the way of a channel through its outputs, at most its own limit."""
    routes = [r for r in tuning.routes if r.channel == channel]
    filters = [f for r in routes for f in r.filters]
    filters += [f for name in outputs for f in tuning.output(name).filters]
    corners = [f.frequency_hz for f in filters if f.type == "low pass" and f.frequency_hz]
    return min([LFE_LIMIT_HZ, *corners])


def lfe_levelled(aims: Aims, tuning: Tuning) -> Tuning:
    """The tuning with the channels of low-frequency effects at their level.

    What one lacks at a gain of 0 dB is taken from all other channels, so that none clips.
    """
    knob = aims.system.processor.gain_db
    for name in _effects(aims):
        excess = lfe_excess_db(aims, tuning, name)
        if not np.isfinite(excess):
            continue
        wanted = tuning.channel(name).gain_db - excess
        lacking = rounded_to(knob.minimum + max(wanted, 0.0), knob) - knob.minimum
        channels = tuple(
            replace(c, gain_db=rounded_to(min(wanted, 0.0), knob))
            if c.name == name
            else replace(c, gain_db=c.gain_db - lacking)
            for c in tuning.channels
        )
        tuning = replace(tuning, channels=channels)
    return tuning


def lfe_proposals(aims: Aims, tuning: Tuning) -> list[Proposal]:
    """At which gain, and how loud that makes the low-frequency effects."""
    proposals = []
    for name in _effects(aims):
        excess = lfe_excess_db(aims, tuning, name)
        if np.isfinite(excess):
            proposals.append(
                Proposal(
                    step="LFE level",
                    subject=name,
                    change=f"channel {tuning.channel(name).gain_db:+.1f} dB",
                    evidence="seat average of the thirds that its outputs play, against the target "
                    "at the level of the main channels from 200 Hz to 4 kHz",
                    effect=f"{LFE_GAIN_DB + excess:.1f} dB louder in its band than they are",
                )
            )
    return proposals


def _effects(aims: Aims) -> list[str]:
    """Names of the channels of low-frequency effects."""
    return [c.name for c in aims.system.channels if c.kind != "main"]
