"""Views of level: against frequency, as sound pressure, and without the room."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.levels import band_level_db
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
    after_arrival,
    at_seats,
    curves_of,
    frequency_plot,
    grid_hz,
    lines_of,
    octave_sheet,
    octaves_hz,
    played_levels_db,
    shown_range,
    within_bands,
)
from roomtune.signal.bands import mean_over_bands, power_db_or_nan
from roomtune.signal.smoothing import smooth_power_db, smoothing_bands_hz
from roomtune.signal.values import FrequencyResponse
from roomtune.signal.windows import (
    cropped,
    frequency_dependent_window,
    lowest_valid_hz,
)

Real = NDArray[np.float64]
NEAREST_S = 0.8e-3
NOISE_BELOW_FULL_SCALE_DB = 20.0


def response(subject: Subject) -> View:
    """Level against frequency, smoothed and windowed as wished."""
    frequencies = grid_hz(subject)
    level = within_bands(subject, frequencies, seen_level_db(subject, frequencies))
    level = level + subject.offset_db
    centres = octaves_hz(subject)
    octaves = played_levels_db(subject, centres, 1)
    unit = subject.level_unit
    sheet = octave_sheet(
        subject, "octaves", f"Level per octave {at_seats(subject)}, {unit}", "db", centres, octaves
    )
    plot = frequency_plot(
        f"Level {at_seats(subject)}", frequencies, lines_of(subject, level), f"level in {unit}",
        shown_range(level),
    )  # fmt: skip
    return View(
        f"Level against frequency {at_seats(subject)} {_how(subject)}",
        "Broad bends are the loudspeaker's or its place's and can be mended; narrow dips that "
        "differ from seat to seat are the room's and cannot.",
        (sheet,),
        Curves((("frequency_hz", frequencies),), tuple(curves_of(subject, "level_db", level))),
        (plot,),
    )


def seen_level_db(subject: Subject, frequencies_hz: Real) -> Real:
    """20 lg |H| (outputs, seats, k) through the chosen window, smoothed as chosen."""
    choices = subject.choices
    responses = subject.measured.responses
    if choices.window_cycles is not None:
        seen = frequency_dependent_window(
            responses, frequencies_hz, choices.window_cycles, subject.arrivals_s
        )
        return _on_grid_db(seen, choices.smoothing)
    if choices.window_s is not None:
        responses = after_arrival(responses, subject.arrivals_s, choices.window_s)
    if choices.smoothing is None:
        return responses.response_at(frequencies_hz).magnitude_db
    return smoothed_at_db(responses.response(), frequencies_hz, choices.smoothing)


def smoothed_at_db(whole: FrequencyResponse, frequencies_hz: Real, fraction: object) -> Real:
    """Power smoothed about each of the frequencies (k,) alone, (..., k) in dB.

    The same as smoothing the whole spectrum (on a grid that ends at or above
    the highest window) and reading it off there, but for a few frequencies.
    """
    power = whole.values.real**2 + whole.values.imag**2
    bands = smoothing_bands_hz(frequencies_hz, fraction)  # type: ignore[arg-type]
    return power_db_or_nan(mean_over_bands(whole.frequencies_hz, power, bands))


def pressure(subject: Subject) -> View:
    """Levels with the weightings A and C and without, and what the driver gives at 1 m."""
    rows = [_pressures(subject, row, column) for row, column, _ in subject.pairs()]
    names: list[Cell] = [name for _, _, name in subject.pairs()]
    unit = subject.level_unit
    heads = ("plain_db", "c_weighted_db", "a_weighted_db", "highest_db", "one_metre_db", "data_db")
    titles = ("Z", "C", "A", "highest Z", "1 m, 0 dBFS", "data, 2.83 V")
    columns = [
        Column(key, title, [r[place] for r in rows])
        for place, (key, title) in enumerate(zip(heads, titles, strict=True))
    ]
    sheet = Sheet(
        "levels",
        f"Levels {at_seats(subject)} in {unit}",
        (
            Column("output", None, [subject.outputs[row] for row, _, _ in subject.pairs()]),
            Column("seat", None, [subject.seats[column] for _, column, _ in subject.pairs()]),
            Column("", "output", names),
            *columns,
        ),
        _pressure_remarks(subject),
    )
    return View(
        f"Sound pressure {at_seats(subject)}",
        "Outputs of one kind should agree within a decibel or two; a larger difference is a "
        "gain, a wire or a distance.",
        (sheet,),
    )


def _pressure_remarks(subject: Subject) -> tuple[str, ...]:
    remarks = (
        f"Z, C, A: pink noise in the output's own band, {NOISE_BELOW_FULL_SCALE_DB:.0f} dB below "
        "a full-scale sine; highest: the same at the output's highest allowed level.",
        "1 m, 0 dBFS: the direct sound of a full-scale sine, brought to 1 m where positions are "
        "known; less what the driver's data promise for 2.83 V, it tells the amplifier's gain.",
    )
    if subject.calibrated:
        return remarks
    return (
        *remarks,
        "The microphone's sensitivity is not known, so these levels are re digital full scale.",
    )


def _pressures(subject: Subject, row: int, column: int) -> list[float | None]:
    """Z, C, A, the highest Z, the direct level at 1 m, and what the data promise."""
    band = subject.band_hz(row)
    whole = subject.measured.spectrum[row, column]
    offset = subject.offset_db - NOISE_BELOW_FULL_SCALE_DB
    plain, c_weighted, a_weighted = (
        float(band_level_db(whole, band, weighting)) + offset for weighting in ("Z", "C", "A")
    )
    output = subject.system.output(subject.outputs[row])
    highest = plain + output.maximum_level_dbfs + NOISE_BELOW_FULL_SCALE_DB
    direct = _at_one_metre_db(subject, row, column)
    return [plain, c_weighted, a_weighted, highest, direct, output.data.sensitivity_db]


def _at_one_metre_db(subject: Subject, row: int, column: int) -> float | None:
    """Level of the direct sound of a full-scale sine at 1 m, None without positions or gate."""
    distance_m = _distance_m(subject, row, column)
    if distance_m is None or not subject.calibrated:
        return None
    try:
        found = gated(subject, row, column)[0]
    except RoomtuneError:
        return None
    low, high = subject.band_hz(row)
    low = max(1.5 * low, found.lowest_valid_hz)
    high = min(high / 1.5, 4 * low)
    if high < 1.3 * low:
        return None
    level = float(band_level_db(found.response, (low, high)))
    return level + subject.offset_db + float(20 * np.log10(distance_m))


def direct(subject: Subject) -> View:
    """The loudspeaker without the room, above the frequency where that can be told.

    Raises RoomtuneError for a window in cycles.
    """
    if subject.choices.window_cycles is not None:
        raise RoomtuneError("The gate of this view has one length: --window 5ms, not cycles.")
    frequencies = grid_hz(subject)
    found = [(*gated(subject, row, column), row, column) for row, column, _ in subject.pairs()]
    level = np.full((len(subject.outputs), len(subject.seats), len(frequencies)), np.nan)
    joined_hz: list[Cell] = []
    for item, _, row, column in found:
        arrival_s = float(subject.arrivals_s[row, column])
        seen, limit_hz, join_hz = _with_near(subject, item, frequencies, row, arrival_s)
        curve = _on_grid_db(seen, subject.choices.smoothing)
        level[row, column] = np.where(frequencies >= limit_hz, curve, np.nan)
        joined_hz.append(join_hz)
    level = within_bands(subject, frequencies, level) + subject.offset_db
    sheet = _gate_sheet(subject, [item[:2] for item in found], joined_hz)
    unit = subject.level_unit
    plot = frequency_plot(
        f"Direct sound {at_seats(subject)}", frequencies, lines_of(subject, level),
        f"level in {unit}", shown_range(level),
    )  # fmt: skip
    return View(
        f"Direct sound {at_seats(subject)}, {unit}",
        "What bends here is the loudspeaker's own; what only bends in the view `response` is the "
        "room's.",
        (sheet,),
        Curves((("frequency_hz", frequencies),), tuple(curves_of(subject, "level_db", level))),
        (plot,),
    )


def _gate_sheet(
    subject: Subject, found: list[tuple[QuasiAnechoic, str]], joined_hz: list[Cell]
) -> Sheet:
    """A row per output and seat: how long the gate is, and from where the response holds."""
    pairs = subject.pairs()
    valid = [item.lowest_valid_hz for item, _ in found]
    return Sheet(
        "gates",
        f"Time gates {at_seats(subject)}",
        (
            Column("output", None, [subject.outputs[row] for row, *_ in pairs]),
            Column("seat", None, [subject.seats[column] for _, column, _ in pairs]),
            Column("", "output", [name for *_, name in pairs]),
            Column("gate_ms", "gate ms", [1000 * item.gate_s for item, _ in found], 2),
            Column("lowest_valid_hz", "valid from Hz", valid, 0),
            Column("ends_at", "gate ends at", [why for _, why in found]),
            Column("joined_hz", "joined Hz" if subject.near else None, joined_hz, 0),
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
    from roomtune.report.view_reflections import reflections_of

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


def _distance_m(subject: Subject, row: int, column: int) -> float | None:
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


def _on_grid_db(seen: FrequencyResponse, fraction: object) -> Real:
    if fraction is None:
        return seen.magnitude_db
    return smooth_power_db(seen, fraction)  # type: ignore[arg-type]


def _how(subject: Subject) -> str:
    choices = subject.choices
    parts = ["not smoothed" if choices.smoothing is None else _fraction_text(choices.smoothing)]
    if choices.window_cycles is not None:
        parts.append(f"window of {choices.window_cycles:g} cycles")
    if choices.window_s is not None:
        limit = lowest_valid_hz(choices.window_s)
        parts.append(f"window of {1000 * choices.window_s:g} ms, valid from {limit:.0f} Hz")
    return f"({', '.join(parts)})"


def _fraction_text(fraction: object) -> str:
    return "smoothed as the ear does" if fraction == "ear" else f"1/{fraction:g} octave smoothed"
