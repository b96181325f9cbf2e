"""Views of level: against frequency, and as sound pressure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.levels import band_level_db
from roomtune.errors import RoomtuneError
from roomtune.report.subject import Subject
from roomtune.report.view import Cell, Column, Curves, Sheet, View
from roomtune.report.view_direct import distance_m, gated
from roomtune.report.view_parts import (
    after_arrival,
    at_seats,
    curves_of,
    frequency_plot,
    grid_hz,
    lines_of,
    octave_sheet,
    octaves_hz,
    on_grid_db,
    played_levels_db,
    shown_range,
    within_bands,
)
from roomtune.signal.bands import mean_over_bands, power_db_or_nan
from roomtune.signal.smoothing import smoothing_bands_hz
from roomtune.signal.values import FrequencyResponse
from roomtune.signal.windows import (
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
        return on_grid_db(seen, choices.smoothing)
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
    away_m = distance_m(subject, row, column)
    if away_m is None or not subject.calibrated:
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
    return level + subject.offset_db + float(20 * np.log10(away_m))


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
