"""The view of decay: reverberation times, early-to-late ratios, and the curves behind them."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.decay import Decay, decay, decay_curve
from roomtune.report.plots import Line, Plot, Role
from roomtune.report.subject import Subject
from roomtune.report.view import Cell, Column, Curve, Curves, Sheet, View
from roomtune.report.view_parts import at_seats, frequency_plot
from roomtune.signal.band_filters import band_filtered
from roomtune.signal.bands import (
    band_edges_hz,
    band_name,
    nominal_hz,
    octave_centres_hz,
    third_octave_centres_hz,
)
from roomtune.signal.windows import cropped

Real = NDArray[np.float64]
SPREADS = {"t20_s": "t20_uncertainty_s", "t30_s": "t30_uncertainty_s"}
TIMES = (("edt_s", "EDT s"), ("t20_s", "T20 s"), ("t30_s", "T30 s"))
BEFORE_S = 0.1
STEP_S = 2e-3
SHOWN_DB = -65.0


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
        figures = [_time_plot("T20, valid values", centres, lines)]
    else:
        figures = [
            _time_plot("Valid reverberation times", centres, _own_lines(found[0, 0])),
            _curve_plot(subject, found[0, 0], fraction),
        ]
    return View(
        f"Decay of the room {at_seats(subject)}",
        "In a small room 0.2 to 0.5 s, much the same in all bands, is a good room; a rise towards "
        "the bass is usual, twice as long is too much.",
        tuple(sheets),
        Curves((("centre_hz", centres),), tuple(curves)),
        tuple(figures),
    )


def decay_curves_db(subject: Subject, centres_hz: Real, fraction: int, times_s: Real) -> Real:
    """Backward-integrated levels (bands, t) of the one output at the one seat, dB.

    Compensated for the noise (see `decay_curve`); NaN where they have sunk into it.
    """
    arrival_s = float(subject.arrivals_s[0, 0])
    part = cropped(
        subject.measured.responses[0, 0], arrival_s - BEFORE_S, arrival_s + 1.5 * times_s[-1]
    )
    rate = part.sample_rate_hz
    heard = band_filtered(part, centres_hz, fraction, reverse=True).samples
    levels = []
    for band in heard:
        level = decay_curve(band[round(BEFORE_S * rate) :] ** 2, rate).level_db
        since = np.arange(len(level)) / rate
        levels.append(np.interp(times_s, since, level, right=np.nan))
    return np.stack(levels)


def _curve_plot(subject: Subject, item: Decay, fraction: int) -> Plot:
    """The decay curves of the bands that were played whole."""
    centres = item.centres_hz[np.isfinite(item.range_db)]
    known = item.t20_s[np.isfinite(item.t20_s)]
    longest = float(np.max(known, initial=0.3))
    times = np.arange(0.0, 1.2 * longest, STEP_S)
    levels = decay_curves_db(subject, centres, fraction, times)
    lines = [
        Line(band_name(float(centre), fraction), level, "part", place)
        for place, (centre, level) in enumerate(zip(centres, levels, strict=True))
    ]
    return Plot(
        "view", "view", "Decay curves", "", 1000 * times, tuple(lines),
        "time in ms after the arrival", "level in dB", False, (SHOWN_DB, 3.0),
    )  # fmt: skip


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
        if key in SPREADS:
            times.append(column(SPREADS[key], "±", 2))
    return Sheet(
        "bands",
        name,
        (
            Column("output", None, [output] * count),
            Column("seat", None, [seat] * count),
            Column("centre_hz", None, list(item.centres_hz[bands])),
            Column("band", "band Hz", _band_texts(item.centres_hz[bands], fraction)),
            *times,
            column("curvature_percent", "bend %", 0),
            column("c50_db", "C50 dB", 1),
            column("c80_db", "C80 dB", 1),
            column("d50", "D50", 2),
            Column("centre_time_ms", "Ts ms", list(1000 * item.centre_time_s[bands]), 0),
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
            Column("centre_time_ms", "Ts ms", list(1000 * median["centre_time_s"]), 0),
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


def _own_lines(item: Decay) -> list[Line]:
    """The three reverberation times of one output, where valid."""
    roles: tuple[Role, ...] = ("before", "sum", "target")
    return [
        Line(heading[:-2], np.where(item.valid(key), getattr(item, key), np.nan), role)
        for (key, heading), role in zip(TIMES, roles, strict=True)
    ]


def _time_plot(title: str, centres: Real, lines: list[Line]) -> Plot:
    plot = frequency_plot(title, centres, lines, "reverberation time in s")
    highest = max((float(np.nanmax(line.values)) for line in lines
                   if np.any(np.isfinite(line.values))), default=1.0)  # fmt: skip
    return Plot(
        plot.key, plot.group, plot.title, "", plot.x, plot.lines, y_label=plot.y_label,
        y_range=(0.0, 1.15 * highest), x_range=plot.x_range,
    )  # fmt: skip


def _band_texts(centres: Real, fraction: int) -> list[Cell]:
    return [f"{nominal_hz(float(c), fraction):g}" for c in centres]
