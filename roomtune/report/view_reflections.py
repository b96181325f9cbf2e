"""The view of early reflections: when, how strong, and from which surface perhaps."""

from __future__ import annotations

import numpy as np

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
from roomtune.report.view import Column, Sheet, View
from roomtune.report.view_parts import at_seats
from roomtune.signal.windows import cropped

REFLECTIONS_HZ = (1000.0, 8000.0)
LEAST_TOP_HZ = 4000.0
SHOWN = 8
UNTIL_S = 0.03


def reflections(subject: Subject) -> View:
    """Early reflections: when, how strong, how much longer their way, and from where perhaps.

    Raises RoomtuneError, with the reasons, when none can be told.
    """
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
        sentences=tuple(remarks),
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
