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
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from roomtune.capture.expected_room import MARGIN_S, Room
from roomtune.capture.requests import TakeRequest
from roomtune.signal.sweeps import BELOW_BAND, Sweep, pre_time_s

SPLASH = 1.2
RATE_FACTORS = (1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0, 2.5, 3.0)
SHUFFLES = 100
LOWER_REACH = math.sqrt(2)


Barriers = list[list[list[tuple[float, float]]]]


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
    requested ones, so that no response loses signal-to-noise ratio. Several rates
    and many orders (the obvious ones and seeded shuffles) are tried.
    """
    _check(requests)
    nowhere = _pack(tuple(replace(request, seat="") for request in requests), room)
    places = (replace(p, request=replace(p.request, seat=requests[0].seat)) for p in nowhere.places)
    return replace(nowhere, places=tuple(places))


@lru_cache(maxsize=16)
def _pack(requests: tuple[TakeRequest, ...], room: Room) -> Packing:
    """The packing at any seat: those of all seats are alike."""
    slowest_s = max(request.sweep.rate_s for request in requests)
    places: list[Place] = []
    packed_s = math.inf
    for factor in RATE_FACTORS:
        changed = [at_rate(request, slowest_s * factor) for request in requests]
        begins_s, length_s = _shortest(changed, room, packed_s)
        if begins_s:
            places = [Place(request, begins_s[n]) for n, request in enumerate(changed)]
            packed_s = length_s
    return Packing(
        places=tuple(places),
        packed_s=packed_s,
        sequential_s=sum(r.sweep.true_duration_s + tail_s(r, room) for r in requests),
    )


def tail_s(request: TakeRequest, room: Room) -> float:
    """How long the response of a request lasts."""
    return room.length_s(request.sweep.start_hz / LOWER_REACH)


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
    changed = replace(sweep, start_hz=start_hz, duration_s=duration_s)
    if abs(changed.rate_s - rate_s) > 1e-9:
        raise ValueError(f"no synchronized sweep of rate {rate_s} s starts at {start_hz} Hz")
    return replace(request, sweep=changed)


def _shortest(
    requests: Sequence[TakeRequest], room: Room, below_s: float
) -> tuple[dict[int, float], float]:
    """Begins (s) and length (s) of the shortest of the packings that different orders give.

    No begins where none is shorter than `below_s`.
    """
    lasting_s = [(r.sweep.true_duration_s, tail_s(r, room)) for r in requests]
    if max(sum(lasts) for lasts in lasting_s) >= below_s:
        return {}, below_s
    barriers = [[_barriers(one, other, room) for other in requests] for one in requests]
    best: dict[int, float] = {}
    for order in _orders(requests):
        begins_s, length_s = _packed(order, requests, lasting_s, barriers, below_s)
        if length_s < below_s:
            best, below_s = begins_s, length_s
    return best, below_s


def _orders(requests: Sequence[TakeRequest]) -> Iterator[list[int]]:
    """Orders to try: as given, by start, widest first, and shuffled."""
    numbers = list(range(len(requests)))
    bands = [(r.sweep.start_hz, r.sweep.stop_hz) for r in requests]
    yield numbers
    yield sorted(numbers, key=lambda n: bands[n][0])
    yield sorted(numbers, key=lambda n: bands[n][0] / bands[n][1])
    shuffled = random.Random(0)
    for _ in range(SHUFFLES if len(requests) > 2 else 0):
        yield shuffled.sample(numbers, len(numbers))


def _packed(
    order: Sequence[int],
    requests: Sequence[TakeRequest],
    lasting_s: Sequence[tuple[float, float]],
    barriers: Barriers,
    below_s: float,
) -> tuple[dict[int, float], float]:
    """Put every request at the earliest begin that disturbs none of those before.

    Begins (s) and length (s), which `lasting_s` of sweeps and responses gives; given
    up as soon as it reaches `below_s`.
    """
    length_s = 0.0
    at_zero_s = [Place(request, 0.0).origin_s for request in requests]
    begins_s: dict[int, float] = {}
    for number in order:
        request = requests[number]
        barred = []
        for before, other_s in begins_s.items():
            origin_s = other_s + at_zero_s[before]
            for low, high in barriers[before][number]:
                barred.append((low + origin_s - at_zero_s[number],
                               high + origin_s - at_zero_s[number]))  # fmt: skip
        begin_s = 0.0
        for low, high in sorted(barred):
            if low < begin_s < high or low < _on_grid(begin_s, request) < high:
                begin_s = high
        begins_s[number] = _on_grid(begin_s, request)
        sweep_s, response_s = lasting_s[number]
        length_s = max(length_s, begins_s[number] + sweep_s + response_s)
        if length_s >= below_s:
            break
    return begins_s, length_s


def _on_grid(time_s: float, request: TakeRequest) -> float:
    rate = request.sweep.sample_rate_hz
    return math.ceil(time_s * rate - 1e-6) / rate


def _barriers(one: TakeRequest, other: TakeRequest, room: Room) -> list[tuple[float, float]]:
    """Forbidden values of the origin of `other` less that of `one`."""
    there = _barred(one, other, room)
    back = _barred(other, one, room)
    return [*there, *((-high, -low) for low, high in back)]


def _barred(source: TakeRequest, victim: TakeRequest, room: Room) -> list[tuple[float, float]]:
    """Lags of the victim's origin at which an order of the source is in its linear response.

    What counts is how long both last from their lowest common frequency up, and
    how much louder the source is.
    """
    loud, quiet = ((r.source, r.level_dbfs) for r in (source, victim))
    barred = []
    for order in range(1, room.highest_order + 1):
        band_hz = common_band_hz(source.sweep, victim.sweep, order)
        if band_hz[0] >= band_hz[1]:
            continue
        below_db = room.surplus_db(loud, quiet, band_hz)
        below_db += room.distortion_of_db(loud[0]) if order > 1 else 0.0
        low_hz = band_hz[0] / LOWER_REACH
        begin_s = -source.sweep.lead_s(order)
        end_s = begin_s + room.length_s(low_hz, below_db)
        before_s = pre_time_s(victim.sweep) + MARGIN_S
        barred.append((begin_s - room.length_s(low_hz), end_s + before_s))
    return barred


def common_band_hz(source: Sweep, victim: Sweep, order: int) -> tuple[float, float]:
    """Where an order of one sweep reaches into the band recovered for another; may be empty.

    A sweep's ends splash a little beyond its band.
    """
    low = max(order * source.start_hz / SPLASH, victim.start_hz * BELOW_BAND)
    high = min(order * source.stop_hz * SPLASH, victim.stop_hz)
    return low, high


def readable_order(packing: Packing, number: int, room: Room) -> int:
    """The highest distortion order of a place up to which nothing else covers any.

    1 when even the second is covered. The linear responses of the others keep
    clear anyhow, up to the room's highest order; their distortion may not.
    """
    place = packing.places[number]
    sweep = place.request.sweep
    for order in range(2, room.highest_order + 1):
        if order * sweep.start_hz >= sweep.stop_hz:
            return order - 1
        mine = _order_span_s(place, order, room)
        for other in packing.places:
            theirs = other.request.sweep
            for of_theirs in range(2, room.highest_order + 1):
                if other is place or not _orders_meet(sweep, order, theirs, of_theirs):
                    continue
                low, high = _order_span_s(other, of_theirs, room)
                if low < mine[1] and high > mine[0]:
                    return order - 1
    return room.highest_order


def _order_span_s(place: Place, order: int, room: Room) -> tuple[float, float]:
    """Where an order of a place lies on the common axis, with its decay."""
    sweep = place.request.sweep
    begin_s = place.origin_s - sweep.lead_s(order)
    low_hz = order * sweep.start_hz / LOWER_REACH
    below_db = room.distortion_of_db(place.request.source)
    return begin_s - MARGIN_S, begin_s + room.length_s(low_hz, below_db)


def _orders_meet(one: Sweep, order: int, other: Sweep, of_other: int) -> bool:
    """Whether orders of two sweeps share frequencies."""
    low = max(order * one.start_hz, of_other * other.start_hz)
    return low < SPLASH * min(one.stop_hz, order * one.stop_hz, of_other * other.stop_hz)
