"""Who plays what: drivers in order, crossover places, and where bass goes."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np

from roomtune.processor.tuning import Family
from roomtune.system.model import Loudspeaker, Output, Position, Processor, System

FULL_RANGE_HZ = 20.0
BASS_REACH_HZ = 60.0
HIGHEST_SHARED_HZ = 160.0  # up to where a woofer may play what is heard elsewhere (common practice)
MARGIN = 1.3


def ordered_outputs(system: System, loudspeaker: str) -> tuple[Output, ...]:
    """A loudspeaker's outputs from the lowest to the highest band."""
    outputs = system.outputs_of(loudspeaker)
    return tuple(sorted(outputs, key=lambda o: (np.prod(o.safe_band_hz), o.number)))


def bass_outputs(system: System) -> tuple[Output, ...]:
    """The outputs that play LFE and redirected bass.

    Subwoofers, else the lowest outputs of the loudspeakers that reach at least
    as deep as 60 Hz (the deepest one when none does).
    """
    subwoofers = tuple(o for o in system.outputs if o.driver == "subwoofer")
    if subwoofers:
        return subwoofers
    lowest = [
        ordered_outputs(system, s.name)[0] for s in system.loudspeakers if system.outputs_of(s.name)
    ]
    deep = tuple(o for o in lowest if o.safe_band_hz[0] <= BASS_REACH_HZ)
    if deep:
        reach = min(o.safe_band_hz[0] for o in deep)
        return tuple(o for o in deep if o.safe_band_hz[0] <= 1.5 * reach)
    return tuple(sorted(lowest, key=lambda o: o.safe_band_hz[0])[:1])


def gives_bass_away(system: System, loudspeaker: Loudspeaker) -> bool:
    """Whether a loudspeaker's bass goes to other outputs.

    It does when it has no bass output of its own and does not reach down to
    20 Hz by itself. It cannot when only other channels' woofers could take its
    bass and neither filters on routes nor their own low passes keep the rest from them.
    """
    if not _small(system, loudspeaker):
        return False
    if shares_woofers(system) and not has_route_filters(system):
        shared = shared_crossover_hz(system)
        lowest = ordered_outputs(system, loudspeaker.name)[0]
        return shared is not None and lowest.safe_band_hz[0] <= shared
    return True


def _small(system: System, loudspeaker: Loudspeaker) -> bool:
    """Whether a loudspeaker should give its bass away, if that can be."""
    own = ordered_outputs(system, loudspeaker.name)
    if loudspeaker.channel is None or not own or "bass redirection" in system.wishes.forbid:
        return False
    names = {output.name for output in bass_outputs(system)}
    if any(output.name in names for output in own):
        return False
    return bool(names) and own[0].safe_band_hz[0] > FULL_RANGE_HZ


def bass_outputs_for(system: System, channel: str) -> tuple[Output, ...]:
    """The bass outputs that play a channel's redirected bass.

    All of them; with stereo bass, channels named L... and R... keep to the
    subwoofers that stand nearer to their front loudspeaker (where places are
    known, and there are some on either side).
    """
    everywhere = bass_outputs(system)
    if system.wishes.bass != "stereo" or channel[0] not in "LR" or channel == "LFE":
        return everywhere
    fronts = [system.loudspeaker_of(name) for name in ("L", "R")]
    places = [front.position_m for front in fronts if front and front.position_m]
    if len(places) < 2:
        return everywhere
    own = tuple(o for o in everywhere if _side(system, o, places) == channel[0])
    return own if 0 < len(own) < len(everywhere) else everywhere


def _side(system: System, output: Output, fronts: list[Position]) -> str | None:
    """Whether an output stands nearer to the left or to the right front loudspeaker."""
    place = system.loudspeaker(output.loudspeaker).position_m
    if place is None:
        return None
    left, right = (float(np.linalg.norm(np.subtract(place, front))) for front in fronts)
    return "L" if left < right else "R"


def shares_woofers(system: System) -> bool:
    """Whether bass goes to outputs that also belong to a channel's own loudspeaker."""
    return any(system.loudspeaker(o.loudspeaker).channel for o in bass_outputs(system))


def woofers_for_others(system: System) -> tuple[Output, ...]:
    """Woofers of several channels' own loudspeakers that also play LFE or others' bass."""
    shared = tuple(
        o for o in bass_outputs(system) if system.loudspeaker(o.loudspeaker).channel is not None
    )
    asked = any(channel.kind != "main" for channel in system.channels)
    asked = asked or any(gives_bass_away(system, s) for s in system.loudspeakers)
    return shared if asked and len(shared) > 1 else ()


def shared_crossover_hz(system: System) -> float | None:
    """The highest crossover above woofers whose own low pass keeps all but bass from them.

    None where bass goes to subwoofers or nobody has any to give, where routes have filters
    (or no gains), and where a bass output has no neighbour that could take over at 160 Hz
    or as pinned.
    """
    if not shares_woofers(system) or has_route_filters(system):
        return None
    if not system.processor.route_gains or not any(
        map(partial(_small, system), system.loudspeakers)
    ):
        return None
    highest = min(system.wishes.bass_crossover_hz or HIGHEST_SHARED_HZ, HIGHEST_SHARED_HZ)
    for output in bass_outputs(system):
        row = ordered_outputs(system, output.loudspeaker)
        above = row[[o.name for o in row].index(output.name) + 1 :]
        pinned = system.wishes.crossovers_hz.get(output.loudspeaker, ())
        lowest = pinned[0] if pinned else MARGIN * above[0].safe_band_hz[0] if above else np.inf
        if lowest > highest:
            return None
    return float(highest)


def has_route_filters(system: System) -> bool:
    """Whether a route can hold a low pass of its own."""
    return system.processor.filters_per_route > 0


def driver_crossovers_hz(system: System, loudspeaker: str) -> tuple[float, ...]:
    """Crossover frequencies between neighbours: pinned, else the middle of the overlap."""
    row = ordered_outputs(system, loudspeaker)
    pinned = system.wishes.crossovers_hz.get(loudspeaker, ())
    if len(pinned) == len(row) - 1:
        return tuple(float(value) for value in pinned)
    middle = [float(np.sqrt(u.safe_band_hz[0] * w.safe_band_hz[1])) for w, u in pairwise(row)]
    shared = shared_crossover_hz(system)
    if middle and shared and row[0].name in {output.name for output in bass_outputs(system)}:
        middle[0] = min(middle[0], shared)
    return tuple(float(np.round(value, 1)) for value in middle)


def bass_crossover_hz(system: System, wanted_hz: float) -> float:
    """The bass crossover: pinned, else the wanted one moved into what the bass outputs play.

    Woofers whose own low pass makes it hand over at their own crossover.
    """
    if shared_crossover_hz(system):
        return driver_crossovers_hz(system, bass_outputs(system)[0].loudspeaker)[0]
    if system.wishes.bass_crossover_hz:
        return float(system.wishes.bass_crossover_hz)
    tops = [output.safe_band_hz[1] for output in bass_outputs(system)]
    return float(min([wanted_hz, *tops]))


def offered_slope(processor: Processor, family: Family, order: int) -> tuple[Family, int]:
    """The wanted crossover slope, else the nearest that the processor offers."""
    offers = slopes(processor)
    return min(offers, key=lambda o: (o[0] != family, abs(o[1] - order), o[0], o[1]))


def slopes(processor: Processor) -> list[tuple[Family, int]]:
    """All crossover slopes that the processor offers."""
    return [(family, order) for family, orders in processor.crossovers.items() for order in orders]
