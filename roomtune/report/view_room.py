"""Views of the room: decay and early reflections."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.decay import Decay, decay
from roomtune.analysis.phase import energy_time_curve_db
from roomtune.analysis.reflections import (
    Reflection,
    cautions,
    early_reflections,
    name_surfaces,
    strongest,
)
from roomtune.errors import RoomtuneError
from roomtune.report.plots import Line, Plot
from roomtune.report.subject import Subject
from roomtune.report.view import Cell, Column, Curve, Curves, Sheet, View
from roomtune.report.view_parts import at_seats, frequency_plot
from roomtune.signal.bands import (
    band_edges_hz,
    nominal_hz,
    octave_centres_hz,
    third_octave_centres_hz,
)
from roomtune.signal.windows import cropped

Real = NDArray[np.float64]
REFLECTIONS_HZ = (1000.0, 8000.0)
LEAST_TOP_HZ = 4000.0
SHOWN = 8
UNTIL_S = 0.03
TIMES = (("edt_s", "EDT s"), ("t20_s", "T20 s"), ("t30_s", "T30 s"))


def decays(subject: Subject) -> View:
    """Decay per band: of every chosen output, or the median over them."""
    fraction = 3 if subject.choices.thirds else 1
    centres = third_octave_centres_hz(50, 10e3) if fraction == 3 else octave_centres_hz(63, 8e3)
    found = {(row, column): decay_of(subject, row, column, centres, fraction)
             for row, column, _ in subject.pairs()}  # fmt: skip
    sheets = [
        decay_sheet(name, found[row, column], subject.outputs[row], subject.seats[column], fraction)
        for row, column, name in subject.pairs()
    ]
    curves, lines = [], []
    for place, (row, column, name) in enumerate(subject.pairs()):
        item = found[row, column]
        for quantity in (field.name for field in fields(Decay) if field.name != "centres_hz"):
            values = getattr(item, quantity)
            curves.append(Curve(subject.outputs[row], subject.seats[column], quantity, values))
        lines.append(Line(name, np.where(item.valid("t20_s"), item.t20_s, np.nan), "part", place))
    if len(subject.pairs()) > 1:
        sheets = [_median_sheet(list(found.values()), centres, fraction, at_seats(subject))]
    return View(
        f"Decay of the room {at_seats(subject)}",
        "In a small room 0.2 to 0.5 s, much the same in all bands, is a good room; a rise towards "
        "the bass is usual, twice as long is too much.",
        tuple(sheets),
        Curves((("centre_hz", centres),), tuple(curves)),
        (_decay_plot(centres, lines),),
    )


def decay_of(subject: Subject, row: int, column: int, centres: Real, fraction: int) -> Decay:
    """Decay of one output at a seat; NaN in bands that it does not play whole."""
    low, high = subject.band_hz(row)
    edges = band_edges_hz(centres, fraction)
    inside = (edges[:, 0] >= low / 1.01) & (edges[:, 1] <= high * 1.01)
    table = {f.name: np.full(len(centres), np.nan) for f in fields(Decay)}
    if np.any(inside):
        response = subject.measured.responses[row, column]
        found = decay(response, subject.arrivals_s[row, column], centres[inside], fraction)
        for name, values in table.items():
            values[inside] = getattr(found, name)
    return Decay(**{**table, "centres_hz": centres})


def decay_sheet(name: str, item: Decay, output: str, seat: str, fraction: int) -> Sheet:
    """All measures of one output at a seat, a row per band; those not valid in brackets."""
    played = np.isfinite(item.range_db)
    bands = np.flatnonzero(played)
    count = len(bands)

    def column(key: str, heading: str, digits: int, scale: float = 1.0) -> Column:
        return Column(key, heading, list(scale * getattr(item, key)[bands]), digits)

    times = []
    for key, heading in TIMES:
        invalid = list(~item.valid(key)[bands])
        times.append(Column(key, heading, list(getattr(item, key)[bands]), 2, invalid))
        times.append(Column(f"{key[:-2]}_valid", None, [not mark for mark in invalid]))
    return Sheet(
        "bands",
        name,
        (
            Column("output", None, [output] * count),
            Column("seat", None, [seat] * count),
            Column("centre_hz", None, list(item.centres_hz[bands])),
            Column("band", "band Hz", _band_texts(item.centres_hz[bands], fraction)),
            *times,
            column("t20_uncertainty_s", "±", 2),
            column("curvature_percent", "bend %", 0),
            column("c50_db", "C50 dB", 1),
            column("c80_db", "C80 dB", 1),
            column("d50", "D50", 2),
            Column("centre_time_s", "Ts ms", list(1000 * item.centre_time_s[bands]), 0),
            column("range_db", "range", 0),
        ),
        ("In brackets: not valid by ISO 3382 (too near the noise, or shorter than the filter).",),
    )


def _median_sheet(found: list[Decay], centres: Real, fraction: int, where: str) -> Sheet:
    """Medians over the outputs, times only where valid."""
    columns: dict[str, Real] = {}
    for name in ("edt_s", "t20_s", "t30_s"):
        table = np.stack(
            [np.where(item.valid(name), getattr(item, name), np.nan) for item in found]
        )
        columns[name] = table
    for name in ("c50_db", "c80_db", "d50", "centre_time_s"):
        columns[name] = np.stack([getattr(item, name) for item in found])
    bands = np.flatnonzero(np.any(np.isfinite(columns["c50_db"]), axis=0))
    spread = _spread(columns["t20_s"])
    counts: list[Cell] = [int(n) for n in np.count_nonzero(np.isfinite(columns["t20_s"]), 0)[bands]]
    median = {name: _median(table)[bands] for name, table in columns.items()}
    return Sheet(
        "bands",
        f"Median over the outputs {where}",
        (
            Column("centre_hz", None, list(centres[bands])),
            Column("band", "band Hz", _band_texts(centres[bands], fraction)),
            Column("edt_s", "EDT s", list(median["edt_s"]), 2),
            Column("t20_s", "T20 s", list(median["t20_s"]), 2),
            Column("t20_spread_s", "± s", list(spread[bands]), 2),
            Column("t30_s", "T30 s", list(median["t30_s"]), 2),
            Column("c50_db", "C50 dB", list(median["c50_db"]), 1),
            Column("c80_db", "C80 dB", list(median["c80_db"]), 1),
            Column("d50", "D50", list(median["d50"]), 2),
            Column("centre_time_s", "Ts ms", list(1000 * median["centre_time_s"]), 0),
            Column("outputs", "valid T20", counts, 0),
        ),
        ("All figures of one output: --output NAME.",),
    )


def _median(table: Real) -> Real:
    """Median over the rows of what is known, NaN where nothing is."""
    known = np.any(np.isfinite(table), axis=0)
    middle = np.full(table.shape[-1], np.nan)
    middle[known] = np.nanmedian(table[:, known], axis=0)
    return middle


def _spread(table: Real) -> Real:
    """Half of the range over the rows."""
    return np.asarray((_known(table, -np.inf).max(0) - _known(table, np.inf).min(0)) / 2)


def _known(table: Real, otherwise: float) -> Real:
    blank = ~np.any(np.isfinite(table), axis=0)
    filled = np.where(np.isfinite(table), table, otherwise)
    filled[:, blank] = np.nan
    return filled


def _decay_plot(centres: Real, lines: list[Line]) -> Plot:
    plot = frequency_plot("T20, valid values", centres, lines, "reverberation time in s")
    highest = max((float(np.nanmax(line.values)) for line in lines
                   if np.any(np.isfinite(line.values))), default=1.0)  # fmt: skip
    return Plot(
        plot.key, plot.group, plot.title, "", plot.x, plot.lines, y_label=plot.y_label,
        y_range=(0.0, 1.15 * highest), x_range=plot.x_range,
    )  # fmt: skip


def _band_texts(centres: Real, fraction: int) -> list[Cell]:
    return [f"{nominal_hz(float(c), fraction):g}" for c in centres]


def reflections(subject: Subject) -> View:
    """Early reflections: when, how strong, how much longer their way, and from where perhaps."""
    sheets, lines, remarks = [], [], []
    times_ms = np.arange(-1e-3, UNTIL_S, 1 / 48000) * 1000
    for place, (row, column, name) in enumerate(subject.pairs()):
        found = reflections_of(subject, row, column)
        output, seat = subject.outputs[row], subject.seats[column]
        if found is None:
            remarks.append(f"{name} does not reach to {LEAST_TOP_HZ:.0f} Hz: not judged.")
            continue
        sheets.append(_reflection_sheet(name, strongest(found, SHOWN), output, seat))
        part = cropped(
            subject.measured.responses[row, column],
            float(subject.arrivals_s[row, column]) - 2e-3,
            float(subject.arrivals_s[row, column]) + UNTIL_S + 2e-3,
        )
        level = energy_time_curve_db(part)
        since = 1000 * (part.times_s - float(subject.arrivals_s[row, column]))
        lines.append(Line(name, np.interp(times_ms, since, level), "part", place))
    if not sheets:
        raise RoomtuneError(f"No reflections can be told here: {' '.join(remarks)}")
    plot = Plot(
        "view", "view", f"Energy over time {at_seats(subject)}", "", times_ms, tuple(lines),
        "time in ms after the arrival", "level in dB re the direct sound", False, (-50.0, 3.0),
    )  # fmt: skip
    return View(
        f"Early reflections {at_seats(subject)}, 1 to 8 kHz",
        "Within 15 ms reflections should stay 10 dB under the direct sound (ITU-R BS.1116-3); "
        "the way from a surface tells where to put something soft.",
        tuple(sheets),
        figures=(plot,),
    )


def reflections_of(subject: Subject, row: int, column: int) -> tuple[Reflection, ...] | None:
    """The reflections of one output at a seat, surfaces named where positions are known.

    None for an output that does not reach to 4 kHz.
    """
    low, high = subject.band_hz(row)
    band = (max(REFLECTIONS_HZ[0], low), min(REFLECTIONS_HZ[1], high))
    if band[1] < LEAST_TOP_HZ or band[1] < 2 * band[0]:
        return None
    arrival_s = float(subject.arrivals_s[row, column])
    found = early_reflections(subject.measured.responses[row, column], arrival_s, band)
    system = subject.system
    source = system.loudspeaker(system.output(subject.outputs[row]).loudspeaker).position_m
    receiver = system.seat(subject.seats[column]).position_m
    if system.room_size_m and source and receiver:
        return name_surfaces(found, system.room_size_m, source, receiver)
    return found


def _reflection_sheet(name: str, found: tuple[Reflection, ...], output: str, seat: str) -> Sheet:
    count = len(found)
    warned = [bool(cautions((item,))) for item in found]
    return Sheet(
        "reflections",
        name,
        (
            Column("output", None, [output] * count),
            Column("seat", None, [seat] * count),
            Column("delay_ms", "delay ms", [1000 * item.delay_s for item in found], 2),
            Column("level_db", "level dB", [item.level_db for item in found], 1),
            Column("path_difference_m", "way m", [item.path_difference_m for item in found], 2),
            Column("lowest_comb_hz", "first dip Hz", [item.lowest_comb_hz for item in found], 0),
            Column("surface", "perhaps from", [item.surface or "" for item in found]),
            Column("caution", None, warned),
            Column("", "", ["strong" if mark else "" for mark in warned]),
            Column("path_error_m", None, [item.path_error_m for item in found], 2),
            Column("spectrum_from_hz", None, [float(item.centres_hz[0]) for item in found]),
            Column("tilt_db", "treble dB", [_tilt_db(item) for item in found], 1),
        ),
    )


def _tilt_db(item: Reflection) -> float:
    """How much more of the upper than of the lower half of its spectrum comes back, dB."""
    half = len(item.spectrum_db) // 2
    if not half:
        return float("nan")
    return float(np.mean(item.spectrum_db[-half:]) - np.mean(item.spectrum_db[:half]))
