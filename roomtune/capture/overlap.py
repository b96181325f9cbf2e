"""Packing the sweeps of many outputs into one passage.

Multiple exponential sweep method: P. Majdak, P. Balazs, B. Laback, JAES 55(7/8),
623-637 (2007); P. Dietrich, B. Masiero, M. Vorlaender, JAES 61(3), 113-124 (2013).
When all sweeps rise at one rate L, two of them stay the same time apart at every
frequency, and order n of one runs L ln n ahead of it. Deconvolved, each is a
stretch on one time axis; the packing keeps all other stretches out of every
linear response. Bands of their own make it a little more general than the
published schedules: what never meets in frequency may sound at the same time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from roomtune.capture.requests import TakeRequest
from roomtune.signal.sweeps import Sweep, pre_time_s, steepest_edge

MARGIN_S = 0.03
SPLASH = 4.0
RATE_FACTORS = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0)
WANTED_QUIET_DB = 70.0


@dataclass(frozen=True)
class Room:
    """What the packing assumes of room and drivers.

    `decay_s`: the longest reverberation time (60 dB); `harmonics_db`: how far the
    distortion orders 2 to `highest_order` stay under the linear response.
    """

    decay_s: float
    harmonics_db: float = -40.0
    highest_order: int = 3

    def length_s(self, order: int) -> float:
        """How long the response of an order stays above -70 dB of the linear one."""
        above_db = WANTED_QUIET_DB + (self.harmonics_db if order > 1 else 0.0)
        return self.decay_s * max(above_db, 0.0) / 60 + MARGIN_S


@dataclass(frozen=True)
class Place:
    """A request with its sweep at the common rate, and when that begins (s)."""

    request: TakeRequest
    begin_s: float

    @property
    def end_s(self) -> float:
        """When the sweep ends."""
        return self.begin_s + self.request.sweep.true_duration_s

    @property
    def origin_s(self) -> float:
        """When the sweep would have passed 1 Hz: the position on the common axis."""
        sweep = self.request.sweep
        return self.begin_s - sweep.rate_s * math.log(sweep.start_hz)


@dataclass(frozen=True)
class Packing:
    """Sweeps packed into one passage, and the time that this saves.

    `packed_s`: from the first sweep's begin to the last response's end;
    `sequential_s`: the same for one request after the other, as requested.
    """

    places: tuple[Place, ...]
    packed_s: float
    sequential_s: float


def pack(requests: Sequence[TakeRequest], room: Room) -> Packing:
    """Pack requests so that nothing touches a linear response; the shortest found.

    All requests share a seat, a reference and a sample rate and none is switched
    by hand (else ValueError). The common rate is at least the slowest of the
    requested ones, so that no response loses signal-to-noise ratio.
    """
    _check(requests)
    slowest_s = max(request.sweep.rate_s for request in requests)
    orders = (
        list(requests),
        sorted(requests, key=lambda r: r.sweep.start_hz),
        sorted(requests, key=lambda r: -math.log(r.sweep.stop_hz / r.sweep.start_hz)),
    )
    tail_s = room.length_s(1)
    attempts = [
        _packed([at_rate(request, slowest_s * factor) for request in order], room)
        for factor in RATE_FACTORS
        for order in orders
    ]
    best = min(attempts, key=lambda places: max(place.end_s for place in places))
    return Packing(
        places=tuple(best),
        packed_s=max(place.end_s for place in best) + tail_s,
        sequential_s=sum(request.sweep.true_duration_s + tail_s for request in requests),
    )


def _check(requests: Sequence[TakeRequest]) -> None:
    if not requests:
        raise ValueError("there is nothing to pack")
    shared = {(r.seat, r.reference, r.sweep.sample_rate_hz, r.settings) for r in requests}
    if len(shared) > 1 or any(request.by_hand for request in requests):
        raise ValueError("only requests of one seat and reference, none by hand, can be packed")


def at_rate(request: TakeRequest, rate_s: float) -> TakeRequest:
    """The request with its sweep at exactly this rate, its start raised by less than 1 / L.

    Raises ValueError when no whole number of cycles fits the band.
    """
    sweep = request.sweep
    start_hz = math.ceil(sweep.start_hz * rate_s - 1e-9) / rate_s
    duration_s = rate_s * math.log(sweep.stop_hz / start_hz)
    changed = Sweep(start_hz, sweep.stop_hz, duration_s, sweep.sample_rate_hz)
    if abs(changed.rate_s - rate_s) > 1e-9:
        raise ValueError(f"no synchronized sweep of rate {rate_s} s starts at {start_hz} Hz")
    return replace(request, sweep=changed)


def _packed(requests: Sequence[TakeRequest], room: Room) -> list[Place]:
    """Put every request at the earliest begin that disturbs none of those before."""
    places: list[Place] = []
    for request in requests:
        begins = sorted({0.0, *_candidates(request, places, room)})
        free = (
            place
            for begin in begins
            if _fits(place := Place(request, _on_grid(begin, request)), places, room)
        )
        places.append(next(free))
    return places


def _on_grid(time_s: float, request: TakeRequest) -> float:
    rate = request.sweep.sample_rate_hz
    return math.ceil(time_s * rate - 1e-6) / rate


def _candidates(request: TakeRequest, places: Sequence[Place], room: Room) -> list[float]:
    """Begins at which the request just leaves one of the stretches that bar it."""
    at_zero = Place(request, 0.0)
    begins = []
    for other in places:
        for barrier in (*_barred(other, at_zero, room), *_mirrored(at_zero, other, room)):
            begins.append(at_zero.begin_s + barrier[1] + 1e-9)
    return [begin for begin in begins if begin > 0]


def _fits(place: Place, places: Sequence[Place], room: Room) -> bool:
    for other in places:
        barriers = (*_barred(other, place, room), *_mirrored(place, other, room))
        if any(low < 0 < high for low, high in barriers):
            return False
    return True


def _barred(source: Place, victim: Place, room: Room) -> list[tuple[float, float]]:
    """Shifts of `victim` at which an order of `source` falls into its linear response."""
    lead_s = source.origin_s - victim.origin_s
    before_s = pre_time_s(victim.request.sweep) + MARGIN_S
    after_s = room.length_s(1)
    barriers = []
    for order in range(1, room.highest_order + 1):
        if not _meet(source.request.sweep, victim.request.sweep, order):
            continue
        begin_s = lead_s - source.request.sweep.lead_s(order)
        end_s = begin_s + room.length_s(order)
        barriers.append((begin_s - after_s, end_s + before_s))
    return barriers


def _mirrored(source: Place, victim: Place, room: Room) -> list[tuple[float, float]]:
    """Shifts of `source` at which it falls into the linear response of `victim`."""
    return [(-high, -low) for low, high in _barred(source, victim, room)]


def _meet(source: Sweep, victim: Sweep, order: int) -> bool:
    """Whether an order of one sweep reaches into the band recovered for another.

    A sweep's ends splash beyond its band: at four times the stop frequency a bass
    sweep is still only about 100 dB down.
    """
    splash = SPLASH if order == 1 else 1.0
    return (
        order * source.stop_hz * splash > victim.start_hz * steepest_edge(victim)
        and order * source.start_hz / splash < victim.stop_hz
    )
