"""Where everything really is, and where it is after a rearrangement."""

from __future__ import annotations

from roomtune.errors import RoomtuneError
from roomtune.system.model import Position, System
from roomtune.virtual.scenario import Scenario, TrueLoudspeaker, TrueSeat


def rearranged(scenario: Scenario, name: str, system: System) -> Scenario:
    """The scenario after a rearrangement; RoomtuneError when there is no such one."""
    later = next((item for item in scenario.rearrangement if item.name == name), None)
    if later is None:
        names = ", ".join(repr(item.name) for item in scenario.rearrangement) or "none"
        raise RoomtuneError(f"room.toml has no rearrangement {name!r}; there is: {names}")
    seats = tuple(
        TrueSeat(name=seat, position_m=_sum(place, later.seats_moved_m))
        for seat, place in seat_positions(scenario, system).items()
    )
    surfaces = scenario.room.absorption.model_copy(update=later.absorption)
    moved = {item.name: item for item in (*scenario.loudspeaker, *later.loudspeaker)}
    changes = {item.name: item.model_dump(exclude_none=True) for item in later.output}
    outputs = tuple(item.model_copy(update=changes.get(item.name, {})) for item in scenario.output)
    return scenario.model_copy(
        update={
            "room": scenario.room.model_copy(update={"absorption": surfaces}),
            "seat": seats,
            "loudspeaker": tuple(moved.values()),
            "output": outputs,
        }
    )


def seat_positions(scenario: Scenario, system: System) -> dict[str, Position]:
    """True position of every seat of the system, checked to lie in the room."""
    true = {seat.name: seat.position_m for seat in scenario.seat}
    places = {seat.name: true.get(seat.name, seat.position_m) for seat in system.seats}
    return {name: inside(scenario, f"seat {name!r}", place) for name, place in places.items()}


def loudspeaker_positions(scenario: Scenario, system: System) -> dict[str, TrueLoudspeaker]:
    """True place and aim of every loudspeaker, checked to lie in the room."""
    true = {item.name: item for item in scenario.loudspeaker}
    places = {}
    for item in system.loudspeakers:
        known = true.get(item.name)
        place = known.position_m if known else item.position_m
        stands = inside(scenario, f"loudspeaker {item.name!r}", place)
        aim = known.aim_m if known else None
        places[item.name] = TrueLoudspeaker(name=item.name, position_m=stands, aim_m=aim)
    return places


def inside(scenario: Scenario, what: str, place: Position | None) -> Position:
    """The place, once it is known to lie in the room; RoomtuneError when not."""
    if place is None:
        raise RoomtuneError(
            f"{what} has no position_m in system.toml nor in room.toml: give it in one of them"
        )
    size = scenario.room.size_m
    if not all(0 < value < limit for value, limit in zip(place, size, strict=True)):
        raise RoomtuneError(
            f"{what} at {tuple(round(v, 3) for v in place)} m is outside the room of {size} m"
        )
    return place


def _sum(first: Position, second: Position) -> Position:
    return (first[0] + second[0], first[1] + second[1], first[2] + second[2])
