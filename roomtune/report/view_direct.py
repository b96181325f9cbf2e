"""The view of the direct sound: the loudspeaker without the room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.quasi_anechoic import (
    QuasiAnechoic,
    join_near_and_far,
    path_to_first_reflection_s,
    quasi_anechoic,
)
from roomtune.errors import RoomtuneError
from roomtune.report.subject import Subject
from roomtune.report.view import Cell, Column, Curves, Sheet, View
from roomtune.report.view_parts import (
    LEAD_S,
    at_seats,
    curves_of,
    frequency_plot,
    grid_hz,
    lines_of,
    on_grid_db,
    shown_range,
    within_bands,
)
from roomtune.report.view_reflections import reflections_of
from roomtune.signal.values import FrequencyResponse
from roomtune.signal.windows import cropped

Real = NDArray[np.float64]
NEAREST_S = 0.8e-3


def direct(subject: Subject) -> View:
    """The loudspeaker without the room, above the frequency where that can be told.

    Raises RoomtuneError for a window in cycles, and when no output can be gated.
    """
    if subject.choices.window_cycles is not None:
        raise RoomtuneError("The gate of this view has one length: --window 5ms, not cycles.")
    frequencies = grid_hz(subject)
    level = np.full((len(subject.outputs), len(subject.seats), len(frequencies)), np.nan)
    gates: list[_Gate] = []
    untold: list[str] = []
    for row, column, name in subject.pairs():
        try:
            item, why = gated(subject, row, column)
        except RoomtuneError as error:
            untold.append(str(error))
            continue
        arrival_s = float(subject.arrivals_s[row, column])
        seen, limit_hz, joined_hz = _with_near(subject, item, frequencies, row, arrival_s)
        curve = on_grid_db(seen, subject.choices.smoothing)
        level[row, column] = np.where(frequencies >= limit_hz, curve, np.nan)
        gates.append(_Gate((row, column), name, item, why, joined_hz))
    if not gates:
        raise RoomtuneError(untold[0])
    level = within_bands(subject, frequencies, level) + subject.offset_db
    unit = subject.level_unit
    plot = frequency_plot(
        f"Direct sound {at_seats(subject)}", frequencies, lines_of(subject, level),
        f"level in {unit}", shown_range(level),
    )  # fmt: skip
    return View(
        f"Direct sound {at_seats(subject)}, {unit}",
        "What bends here is the loudspeaker's own; what only bends in the view `response` is the "
        "room's.",
        (_gate_sheet(subject, gates),),
        Curves((("frequency_hz", frequencies),), tuple(curves_of(subject, "level_db", level))),
        (plot,),
        sentences=tuple(untold),
    )


@dataclass(frozen=True, eq=False)
class _Gate:
    """One output at a seat through its gate: places, name, what ended it, where it was joined."""

    places: tuple[int, int]
    name: str
    seen: QuasiAnechoic
    why: str
    joined_hz: float | None


def _gate_sheet(subject: Subject, gates: list[_Gate]) -> Sheet:
    """A row per output and seat: how long the gate is, and from where the response holds."""
    joined: list[Cell] = [gate.joined_hz for gate in gates]
    valid: list[Cell] = [gate.seen.lowest_valid_hz for gate in gates]
    return Sheet(
        "gates",
        f"Time gates {at_seats(subject)}",
        (
            Column("output", None, [subject.outputs[gate.places[0]] for gate in gates]),
            Column("seat", None, [subject.seats[gate.places[1]] for gate in gates]),
            Column("", "output", [gate.name for gate in gates]),
            Column("gate_ms", "gate ms", [1000 * gate.seen.gate_s for gate in gates], 2),
            Column("lowest_valid_hz", "valid from Hz", valid, 0),
            Column("ends_at", "gate ends at", [gate.why for gate in gates]),
            Column("joined_hz", "joined Hz" if subject.near else None, joined, 0),
        ),
    )


def gated(subject: Subject, row: int, column: int) -> tuple[QuasiAnechoic, str]:
    """The response up to its first reflection, and what ended it.

    That is the chosen window, else what the positions of loudspeaker and seat in
    the room say, else the first reflection found later than the loudspeaker's own
    edges make any (0.8 ms). RoomtuneError without any.
    """
    arrival_s = float(subject.arrivals_s[row, column])
    response = subject.measured.responses[row, column]
    if subject.choices.window_s is not None:
        gate_s, why = subject.choices.window_s, "chosen window"
    else:
        gate_s, why = _first_reflection_s(subject, row, column)
    part = cropped(response, arrival_s - 2 * LEAD_S, arrival_s + max(2 * gate_s, 0.5))
    return quasi_anechoic(part, arrival_s, arrival_s + gate_s), why


def _first_reflection_s(subject: Subject, row: int, column: int) -> tuple[float, str]:
    places = _places(subject, row, column)
    if places is not None:
        return path_to_first_reflection_s(*places), "nearest surface"
    found = reflections_of(subject, row, column) or ()
    late = [item for item in found if item.delay_s >= NEAREST_S]
    if late:
        return late[0].delay_s, "first reflection"
    output, seat = subject.outputs[row], subject.seats[column]
    raise RoomtuneError(
        f"Where the room begins in {output} at {seat} cannot be told: no reflection stands "
        "out and system.toml does not give room_size_m and the positions of loudspeaker and "
        "seat. Say how much counts, such as: --window 5ms"
    )


Point = tuple[float, float, float]


def _places(subject: Subject, row: int, column: int) -> tuple[Point, Point, Point] | None:
    system = subject.system
    loudspeaker = system.loudspeaker(system.output(subject.outputs[row]).loudspeaker)
    size, source = system.room_size_m, loudspeaker.position_m
    receiver = system.seat(subject.seats[column]).position_m
    return (size, source, receiver) if size and source and receiver else None


def distance_m(subject: Subject, row: int, column: int) -> float | None:
    """From loudspeaker to seat, None where a position is not known."""
    system = subject.system
    source = system.loudspeaker(system.output(subject.outputs[row]).loudspeaker).position_m
    receiver = system.seat(subject.seats[column]).position_m
    if source is None or receiver is None:
        return None
    return float(np.linalg.norm(np.subtract(source, receiver)))


def _with_near(
    subject: Subject, found: QuasiAnechoic, frequencies_hz: Real, row: int, arrival_s: float
) -> tuple[FrequencyResponse, float, float | None]:
    """The gated response on the grid, with the near field below it where there is one.

    Time zero is the arrival. Also from where it holds, and where the two were joined.
    """
    far = found.response.delayed(-arrival_s)
    on_grid = FrequencyResponse(
        frequencies_hz, np.interp(frequencies_hz, far.frequencies_hz, far.values)
    )
    name = subject.outputs[row]
    if subject.near is None or name not in subject.near.outputs:
        return on_grid, found.lowest_valid_hz, None
    place = subject.near.outputs.index(name)
    near = subject.near.responses[place, 0].response_at(frequencies_hz)
    join_hz = 2 * found.lowest_valid_hz
    low, high = subject.near.bands_hz[place]
    if not low * 2 < join_hz < high / 2:
        return on_grid, found.lowest_valid_hz, None
    return join_near_and_far(near, on_grid, join_hz), float(low), join_hz
