"""The textbook setting to start from, and to be better than.

Every channel goes to its loudspeaker's outputs through plain crossovers; the
bass of small loudspeakers and the LFE go to the outputs that carry bass. No
delay, no equaliser, no change of polarity. LFE plays 10 dB louder in band
(ITU-R BS.775): the other channels are turned down by 10 dB instead, so that
nothing can clip.
"""

from __future__ import annotations

import numpy as np

from roomtune.advisor.layout import (
    bass_crossover_hz,
    bass_outputs,
    bass_outputs_for,
    driver_crossovers_hz,
    gives_bass_away,
    has_route_filters,
    offered_slope,
    ordered_outputs,
)
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    Limiter,
    OutputSetting,
    Route,
    Tuning,
)
from roomtune.system.model import Output, System

LFE_GAIN_DB = 10.0
LFE_LIMIT_HZ = 120.0
STARTING_BASS_HZ = 80.0


def starting_tuning(system: System, bass_hz: float | None = None) -> Tuning:
    """The textbook tuning; `bass_hz` overrides its bass crossover (80 Hz or as pinned)."""
    crossover = bass_hz or bass_crossover_hz(system, STARTING_BASS_HZ)
    return Tuning(
        sample_rate_hz=system.processor.sample_rate_hz,
        channels=tuple(_channel(system, channel.name) for channel in system.channels),
        routes=starting_routes(system, crossover),
        outputs=tuple(_output(system, output, crossover) for output in system.outputs),
        number_format=system.processor.number_format,
    )


def _channel(system: System, name: str) -> ChannelSetting:
    loud = any(channel.kind != "main" for channel in system.channels)
    if system.channel(name).kind == "main" and loud:
        return ChannelSetting(name, gain_db=-LFE_GAIN_DB)
    return ChannelSetting(name)


def starting_routes(system: System, bass_hz: float) -> tuple[Route, ...]:
    """Own outputs for every channel, bass outputs for LFE and whoever gives bass away."""
    routes = []
    for channel in system.channels:
        loudspeaker = system.loudspeaker_of(channel.name)
        own = [output.name for output in system.outputs_of(loudspeaker.name)] if loudspeaker else []
        routes += [Route(channel.name, name) for name in own]
        if channel.kind != "main" or (loudspeaker and gives_bass_away(system, loudspeaker)):
            top = bass_hz if channel.kind == "main" else LFE_LIMIT_HZ
            routes += [
                _bass_route(system, channel.name, output, top)
                for output in bass_outputs_for(system, channel.name)
                if output.name not in own
            ]
    return tuple(routes)


def _bass_route(system: System, channel: str, output: Output, top_hz: float) -> Route:
    """A route for bass: with its own low pass where routes have filters.

    Several woofers of other channels add up in phase, so each gets its share only;
    so do all subwoofers where another channel's bass has only those on its side.
    """
    family, order = offered_slope(system.processor, "Linkwitz-Riley", 4)
    low_pass = Filter("low pass", top_hz, family=family, order=order)
    shared = system.loudspeaker(output.loudspeaker).channel is not None
    playing = bass_outputs_for(system, channel)
    if system.wishes.bass == "stereo" and not shared:
        fewest = min(len(bass_outputs_for(system, c.name)) for c in system.channels)
        gain, shared = -20 * np.log10(len(playing) / fewest), True
    else:
        gain = -20 * np.log10(len(playing))
    return Route(
        channel,
        output.name,
        gain_db=float(np.round(gain, 1)) if shared and system.processor.route_gains else 0.0,
        filters=(low_pass,) if has_route_filters(system) else (),
    )


def _output(system: System, output: Output, bass_hz: float) -> OutputSetting:
    return OutputSetting(
        name=output.name,
        number=output.number,
        filters=crossover_filters(system, output, bass_hz),
        limiter=Limiter(output.maximum_level_dbfs, attack_ms=0.0)
        if system.processor.limiters
        else None,
    )


def crossover_filters(system: System, output: Output, bass_hz: float) -> tuple[Filter, ...]:
    """High pass and low pass of one output in the textbook setting."""
    loudspeaker = system.loudspeaker(output.loudspeaker)
    family, order = offered_slope(system.processor, "Linkwitz-Riley", 4)
    row = ordered_outputs(system, loudspeaker.name)
    place = [item.name for item in row].index(output.name)
    between = driver_crossovers_hz(system, loudspeaker.name)
    low = between[place - 1] if place else _lowest_hz(system, output, bass_hz)
    high = between[place] if place < len(between) else None
    carries = output.name in {item.name for item in bass_outputs(system)}
    if loudspeaker.channel is None and carries and high is None and not has_route_filters(system):
        high = bass_hz
    protective = place == 0 and not gives_bass_away(system, loudspeaker)
    filters = []
    if protective:
        filters.append(protective_high_pass(system, output))
    elif low is not None:
        filters.append(Filter("high pass", low, family=family, order=order))
    if high is not None:
        filters.append(Filter("low pass", high, family=family, order=order))
    return tuple(filters)


def _lowest_hz(system: System, output: Output, bass_hz: float) -> float:
    return float(max(bass_hz, output.safe_band_hz[0]))


def protective_high_pass(system: System, output: Output) -> Filter:
    """A Butterworth high pass at the lower end of the safe band."""
    family, order = offered_slope(system.processor, "Butterworth", 2)
    lowest = system.processor.filter_frequency_hz.minimum
    frequency = float(np.round(max(output.safe_band_hz[0], lowest), 3))
    return Filter("high pass", frequency, family=family, order=order)
