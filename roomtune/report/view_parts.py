"""What the views share: their grid, levels per octave as columns, lines to draw."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from roomtune.report.plots import Line, Plot, tick_text
from roomtune.report.subject import Subject
from roomtune.report.view import Cell, Column, Curve, Sheet
from roomtune.signal.bands import (
    band_edges_hz,
    log_frequencies_hz,
    mean_over_bands,
    nominal_hz,
    octave_centres_hz,
    power_db_or_nan,
)
from roomtune.signal.smoothing import Fraction, smooth_power_db
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.signal.windows import windowed

Real = NDArray[np.float64]
POINTS_PER_OCTAVE = 48
SHOWN_RANGE_DB = 50.0
STEP_DB = 10.0
LEAST_KNOWN = 0.5
LEAD_S = 2e-3
ARRIVAL_REMARK = (
    "Arrival: with what noise, reflections and doubts about the driver leave open; what a "
    "driver does beyond its band counts as time of flight (a pole at 30 kHz: 3 us of a tweeter)."
)


def grid_hz(subject: Subject, points_per_octave: float = POINTS_PER_OCTAVE) -> Real:
    """The frequencies of a view: over all bands that were played, even in log frequency."""
    low, high = subject.measured.bands_hz[:, 0].min(), subject.measured.bands_hz[:, 1].max()
    highest = 0.499 * subject.measured.responses.sample_rate_hz
    return log_frequencies_hz(float(low), float(min(high, highest)), points_per_octave)


def within_bands(subject: Subject, frequencies_hz: Real, values: Real) -> Real:
    """Values (outputs, seats, k) with NaN where the output was not played."""
    low, high = subject.measured.bands_hz[:, :1], subject.measured.bands_hz[:, 1:]
    inside = (frequencies_hz >= low) & (frequencies_hz <= high)
    return np.where(inside[:, None, :], values, np.nan)


def played_levels_db(subject: Subject, centres_hz: Real, fraction: float) -> Real:
    """Level of the mean power in each fractional-octave band, (outputs, seats, bands).

    Of a band that was played in part, the played part counts; NaN where that is
    less than half of it.
    """
    whole = subject.measured.responses.response()
    edges = np.log(band_edges_hz(centres_hz, fraction))
    bands = np.log(subject.measured.bands_hz)
    levels = []
    for row, (low, high) in enumerate(bands):
        played = np.clip(edges, low, high)
        enough = np.diff(played)[:, 0] >= 0.5 * np.diff(edges)[:, 0] - 1e-9
        power = np.abs(whole.values[row]) ** 2
        found = np.full((power.shape[0], len(centres_hz)), np.nan)
        if np.any(enough):
            mean = mean_over_bands(whole.frequencies_hz, power, np.exp(played[enough]))
            found[:, enough] = power_db_or_nan(mean)
        levels.append(found)
    return np.stack(levels) + subject.offset_db


def octaves_hz(subject: Subject) -> Real:
    """The octaves 31.5 Hz to 16 kHz that the played bands touch with half their width."""
    centres = octave_centres_hz(31.5, 16e3)
    low, high = subject.measured.bands_hz[:, 0].min(), subject.measured.bands_hz[:, 1].max()
    return centres[(centres >= low) & (centres <= high)]


def octave_means(frequencies_hz: Real, values: Real, centres_hz: Real) -> Real:
    """Mean of what is known in each octave, (..., octaves)."""
    return _per_octave(frequencies_hz, values, centres_hz, np.mean)


def octave_medians(frequencies_hz: Real, values: Real, centres_hz: Real) -> Real:
    """Median of what is known in each octave, (..., octaves)."""
    return _per_octave(frequencies_hz, values, centres_hz, np.median)


def _per_octave(
    frequencies_hz: Real, values: Real, centres_hz: Real, summary: Callable[[Real], object]
) -> Real:
    """One number per octave; NaN where less than half of its points is known."""
    edges = band_edges_hz(centres_hz, 1)
    table = np.full((*values.shape[:-1], len(centres_hz)), np.nan)
    for place, (low, high) in enumerate(edges):
        part = values[..., (frequencies_hz >= low) & (frequencies_hz < high)]
        for row in np.ndindex(part.shape[:-1]):
            known = part[row][np.isfinite(part[row])]
            if known.size and known.size >= LEAST_KNOWN * part.shape[-1]:
                table[(*row, place)] = summary(known)
    return table


def octave_sheet(
    subject: Subject,
    key: str,
    title: str,
    unit: str,
    centres_hz: Real,
    table: Real,
    digits: int = 1,
    remarks: tuple[str, ...] = (),
) -> Sheet:
    """A row per output (and seat) with a column per octave; table (outputs, seats, octaves).

    Without a seat axis, (outputs, octaves), the rows are for all seats together.
    """
    if table.ndim == 2:
        names: list[Cell] = list(subject.outputs)
        seats: list[Cell] = [""] * len(names)
        shown, rows = names, table
    else:
        pairs = subject.pairs()
        names = [subject.outputs[row] for row, _, _ in pairs]
        seats = [subject.seats[column] for _, column, _ in pairs]
        shown, rows = [name for _, _, name in pairs], table.reshape(len(pairs), -1)
    columns = [
        Column(
            f"at_{nominal_hz(c, 1):g}_hz_{unit}", tick_text(nominal_hz(c, 1)), list(cells), digits
        )
        for c, cells in zip(centres_hz, rows.T, strict=True)
    ]
    head = (
        Column("output", None, names),
        Column("seat", None, seats),
        Column("", "octave, Hz", shown),
    )
    return Sheet(key, title, (*head[:2], head[2], *columns), remarks)


def curves_of(subject: Subject, quantity: str, values: Real) -> list[Curve]:
    """Curves of values (outputs, seats, k)."""
    return [
        Curve(subject.outputs[row], subject.seats[column], quantity, values[row, column])
        for row, column, _ in subject.pairs()
    ]


def lines_of(subject: Subject, values: Real) -> tuple[Line, ...]:
    """Lines of values (outputs, seats, k), each output at each seat its own colour."""
    return tuple(
        Line(name, values[row, column], "part", place)
        for place, (row, column, name) in enumerate(subject.pairs())
    )


def frequency_plot(
    title: str,
    frequencies_hz: Real,
    lines: Sequence[Line],
    y_label: str,
    y_range: tuple[float, float] | None = None,
) -> Plot:
    """A plot over log frequency, its axis as wide as what is known."""
    known = np.any([np.isfinite(line.values) for line in lines], axis=0)
    used = frequencies_hz[known] if np.count_nonzero(known) > 1 else frequencies_hz
    ends = (float(used[0]), float(used[-1]))
    return Plot(
        "view", "view", title, "", frequencies_hz, tuple(lines), y_label=y_label,
        y_range=y_range, x_range=ends,
    )  # fmt: skip


def shown_range(values: Real, range_db: float = SHOWN_RANGE_DB) -> tuple[float, float] | None:
    """Limits that show the upper `range_db` of what is known, on even tens of decibels."""
    known = values[np.isfinite(values)]
    if not known.size:
        return None
    top = float(np.ceil((known.max() + 1) / STEP_DB) * STEP_DB)
    bottom = float(np.floor(known.min() / STEP_DB) * STEP_DB)
    return max(top - range_db, min(bottom, top - STEP_DB)), top


def at_seats(subject: Subject) -> str:
    """Where: "at middle", or "at 3 seats"."""
    seats = subject.seats
    return f"at {seats[0]}" if len(seats) == 1 else f"at {len(seats)} seats"


def after_arrival(responses: ImpulseResponse, arrivals_s: Real, window_s: float) -> ImpulseResponse:
    """What comes within `window_s` of each arrival, faded out over its last quarter."""
    samples = responses.samples.copy()
    for place in np.ndindex(samples.shape[:-1]):
        at = float(arrivals_s[place])
        one = windowed(responses[place], at - LEAD_S, at + window_s, LEAD_S / 2, window_s / 4)
        samples[place] = one.samples
    return ImpulseResponse(samples, responses.sample_rate_hz, responses.start_s, responses.unit)


def on_grid_db(seen: FrequencyResponse, fraction: Fraction | None) -> Real:
    """Level (..., k) of a response on a grid of its own, smoothed unless fraction is None."""
    if fraction is None:
        return seen.magnitude_db
    return smooth_power_db(seen, fraction)
