"""Arrivals and levels of the loudspeakers, equal at the main seat."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains, levels_db, third_rows
from roomtune.advisor.measured import Measured
from roomtune.advisor.prediction import predict
from roomtune.advisor.scores import LEVEL_BAND_HZ, main_channels
from roomtune.advisor.settings import moved, with_channel_gains
from roomtune.advisor.sounds import channel_arrivals_s
from roomtune.advisor.target import target_db
from roomtune.processor.tuning import Tuning
from roomtune.system.model import System

Array = NDArray[np.float64]


def channel_arrivals_ms(system: System, measured: Measured, tuning: Tuning) -> dict[str, float]:
    """Predicted arrival of each main channel at the main seat."""
    here = measured.selected([system.main_seat.name])
    wanted = set(main_channels(system)) & {s.channel for s in system.loudspeakers}
    channels = tuple(c for c in tuning.channels if c.name in wanted)
    routes = tuple(r for r in tuning.routes if r.channel in wanted)
    part = replace(tuning, channels=channels, routes=routes)
    responses = predict(part, here).impulse_responses[:, 0]
    times = channel_arrivals_s(responses)
    return {c.name: float(t) * 1e3 for c, t in zip(channels, times, strict=True) if np.isfinite(t)}


def own_outputs(system: System, channel: str) -> tuple[str, ...]:
    """Names of the outputs of the loudspeaker that reproduces a channel."""
    loudspeaker = system.loudspeaker_of(channel)
    return tuple(o.name for o in system.outputs_of(loudspeaker.name)) if loudspeaker else ()


def arrivals_aligned(system: System, measured: Measured, tuning: Tuning) -> tuple[Tuning, float]:
    """Delay every loudspeaker so that all arrive with the latest at the main seat.

    Returns the common arrival in ms too, on the measurement's time axis.
    """
    arrivals = channel_arrivals_ms(system, measured, tuning)
    aligned = aligned_to_latest(system, tuning, arrivals)
    for channel, time in arrivals.items():
        for name in own_outputs(system, channel):
            added = aligned.output(name).delay_ms - tuning.output(name).delay_ms
            return aligned, time + added
    return aligned, 0.0


def aligned_to_latest(system: System, tuning: Tuning, arrivals_ms: dict[str, float]) -> Tuning:
    """The loudspeakers of the given channels delayed to the latest of these arrivals.

    Each by whole samples, so that nothing changes between its drivers.
    """
    latest = max(arrivals_ms.values(), default=0.0)
    per_ms = tuning.sample_rate_hz / 1000
    delays: dict[str, float] = {}
    for channel, time in arrivals_ms.items():
        delay = round((latest - time) * per_ms) / per_ms
        delays.update(dict.fromkeys(own_outputs(system, channel), delay))
    return moved(tuning, delays_ms=delays)


def arriving_together(
    system: System,
    measured: Measured,
    tuning: Tuning,
    aligned: Callable[[Tuning, dict[str, float]], Tuning],
    rounds: int,
    goal_ms: float = 0.0,
) -> Tuning:
    """The best of a few alignments, each judged as the processor will hold it.

    `aligned` takes a tuning and its arrivals in ms to the next one; no more are
    tried once the arrivals lie within `goal_ms`.
    """
    best, least = tuning, np.inf
    for _ in range(rounds):
        arrivals = channel_arrivals_ms(system, measured, tuning)
        spread = max(arrivals.values(), default=0.0) - min(arrivals.values(), default=0.0)
        if spread < least:
            best, least = tuning, spread
        if spread <= goal_ms:
            break
        tuning = aligned(tuning, arrivals)
    return best


def levels_aligned(aims: Aims, tuning: Tuning) -> Tuning:
    """Output gains that make all loudspeakers as loud as the quietest, 200 Hz to 4 kHz."""
    _, bands = third_rows(aims.model, (200.0, 4000.0))
    wanted = target_db(aims.system, aims.model.centres_hz) @ bands.T
    gains = base_gains(aims, tuning)
    level = {
        aims.model.channels[c]: float(
            np.mean(levels_db(aims, c, gains[c], aims.average, bands)[0] - wanted)
        )
        for c in aims.mains
    }
    quietest = min(level.values(), default=0.0)
    changes: dict[str, float] = {}
    for channel, value in level.items():
        changes.update(dict.fromkeys(own_outputs(aims.system, channel), quietest - value))
    return moved(tuning, gains_db=changes)


def main_seat_levels_db(aims: Aims, tuning: Tuning) -> dict[str, float]:
    """Level of each main channel at the main seat, thirds from 500 Hz to 2 kHz."""
    _, bands = third_rows(aims.model, LEVEL_BAND_HZ)
    mean = bands.mean(axis=0, keepdims=True)
    gains = base_gains(aims, tuning, whole_samples=True)
    return {
        aims.model.channels[c]: float(levels_db(aims, c, gains[c], aims.main_only, mean)[0, 0])
        for c in aims.mains
    }


def channels_trimmed(aims: Aims, tuning: Tuning) -> Tuning:
    """Channel gains that make the main channels equally loud, on the processor's steps.

    The quietest sets the level, less up to a step where that makes the spread
    after rounding smaller.
    """
    level = main_seat_levels_db(aims, tuning)
    if not level:
        return tuning
    names, values = list(level), np.array(list(level.values()))
    now = np.array([tuning.channel(name).gain_db for name in names])
    step = aims.system.processor.gain_db.step
    tries = values.min() - np.linspace(0, step, 21)[:-1]
    gains = now + tries[:, None] - values
    if step > 0:
        gains = np.round(gains / step) * step
    best = gains[int(np.argmin(np.round(np.ptp(values - now + gains, axis=1), 9)))]
    return with_channel_gains(tuning, dict(zip(names, map(float, best - now), strict=True)))
