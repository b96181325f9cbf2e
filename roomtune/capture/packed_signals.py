"""The sound of one passage: packed sweeps with the markers and silences of a single take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.expected_room import Room
from roomtune.capture.overlap import Packing, Place
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import Schedule, marker_parts, schedule
from roomtune.signal.decibels import amplitude
from roomtune.signal.sweeps import sweep_signal

CREST_DB = 8.0
HEADROOM_DB = -3.0


@dataclass(frozen=True)
class Passage:
    """One passage of packed sweeps: the packing, the room it assumes, the schedule."""

    packing: Packing
    room: Room
    plan: Schedule

    @property
    def first(self) -> TakeRequest:
        """A request of the group; all share seat, reference and settings."""
        return self.packing.places[0].request

    @property
    def requests(self) -> tuple[TakeRequest, ...]:
        """The requests with their sweeps as they will sound."""
        return tuple(place.request for place in self.packing.places)


def passage(packing: Packing, room: Room) -> Passage:
    """Lay out markers and silence around packed sweeps, as for a single take."""
    first = packing.places[0].request
    single = schedule(first)
    rate = first.sweep.sample_rate_hz
    length_s = max(place.end_s for place in packing.places)
    later_s = length_s - (single.sweep_end_s - single.sweep_s)
    later_s = round(later_s * rate) / rate
    markers = single.markers_s[:2] + tuple(time + later_s for time in single.markers_s[2:])
    plan = replace(
        single,
        markers_s=markers,
        sweep_end_s=single.sweep_s + length_s,
        total_s=single.total_s + later_s,
    )
    return Passage(eased(packing, room), room, plan)


def passage_signals(whole: Passage) -> NDArray[np.float64]:
    """Return what to play for one passage, shape (n, outputs), re digital full scale."""
    request, plan = whole.first, whole.plan
    rate = request.sweep.sample_rate_hz
    reference = request.reference
    used = [place.request.interface_output for place in whole.packing.places]
    used += [reference.interface_output or 1, reference.witness_output or 1]
    signals = np.zeros((round(plan.total_s * rate), max(used)))
    for place in whole.packing.places:
        begin = round((plan.sweep_s + place.begin_s) * rate)
        sound = sweep_signal(place.request.sweep) * amplitude(place.request.level_dbfs)
        signals[begin : begin + sound.size, place.request.interface_output - 1] += sound
    for interface_output, sound, level_dbfs, instants_s in marker_parts(request, plan):
        scaled = sound * amplitude(level_dbfs)
        for instant_s in instants_s:
            begin = round(instant_s * rate)
            signals[begin : begin + scaled.size, interface_output - 1] += scaled
    return signals


def loudest_together_dbfs(packing: Packing) -> float:
    """The highest sum of the peaks of all outputs that sound at one time, dB re full scale."""
    return 20 * float(
        np.log10(max(_sums(packing, lambda p: float(amplitude(p.request.level_dbfs)))))
    )


def most_at_once(packing: Packing) -> int:
    """How many outputs sound at one time at most."""
    return round(max(_sums(packing, lambda _: 1.0)))


def _sums(packing: Packing, weight: Callable[[Place], float]) -> list[float]:
    """The sum of weights of what sounds, at every begin."""
    return [
        sum(weight(p) for p in packing.places if p.begin_s <= at.begin_s < p.end_s)
        for at in packing.places
    ]


def eased(packing: Packing, room: Room) -> Packing:
    """The packing, all of it lower where the sum would come near the microphone's full scale.

    Only levels known from earlier takes can tell; the peaks of a response stand some
    8 dB above its mean.
    """
    known = dict(room.levels_db)

    def arriving(place: Place) -> float:
        levels = [-np.inf, *known.get(place.request.source, ())]
        return float(amplitude(max(levels) + CREST_DB + place.request.level_dbfs))

    over_db = 20 * float(np.log10(max(_sums(packing, arriving)) + 1e-30)) - HEADROOM_DB
    if over_db <= 0:
        return packing
    return replace(
        packing,
        places=tuple(
            replace(p, request=replace(p.request, level_dbfs=p.request.level_dbfs - over_db))
            for p in packing.places
        ),
    )
