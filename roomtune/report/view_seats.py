"""Views over the seats: what they share, how far they differ, what can be corrected."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.averages import (
    aligned_average,
    seat_average,
    seat_coherence,
    seat_spread_db,
)
from roomtune.analysis.correctability import correctability
from roomtune.analysis.phase import POINTS_PER_OCTAVE
from roomtune.errors import RoomtuneError
from roomtune.report.plots import Line, Plot
from roomtune.report.subject import Subject
from roomtune.report.view import Curve, Curves, View
from roomtune.report.view_level import smoothed_at_db
from roomtune.report.view_parts import (
    frequency_plot,
    grid_hz,
    octave_means,
    octave_sheet,
    octaves_hz,
    shown_range,
)
from roomtune.signal.bands import mean_over_bands
from roomtune.signal.smoothing import smoothing_bands_hz
from roomtune.signal.values import FrequencyResponse

Real = NDArray[np.float64]
PLAIN_SMOOTHING = 12.0


def seats(subject: Subject) -> View:
    """Averages over the seats, their spread, and the share of the sound they have in common.

    Raises RoomtuneError for fewer than two seats.
    """
    if len(subject.seats) < 2:
        raise RoomtuneError(
            "Averages and spread need two seats or more: this session has one, or one was chosen."
        )
    frequencies = grid_hz(subject)
    tables = {
        name: np.full((len(subject.outputs), len(frequencies)), np.nan)
        for name in ("average_db", "aligned_average_db", "spread_db", "coherence")
    }
    for row in range(len(subject.outputs)):
        low, high = subject.band_hz(row)
        inside = (frequencies >= low) & (frequencies <= high)
        for name, values in _over_seats(subject, row, frequencies[inside]).items():
            tables[name][row, inside] = values
    for name in ("average_db", "aligned_average_db"):
        tables[name] += subject.offset_db
    centres = octaves_hz(subject)
    sheets = tuple(
        octave_sheet(subject, key, title, unit, centres,
                     octave_means(frequencies, tables[name], centres), digits)
        for key, title, unit, name, digits in (
            ("spread", "Spread over the seats, dB (standard deviation)", "db", "spread_db", 1),
            ("coherence", "Share of the sound that the seats have in common", "share",
             "coherence", 2),
        )
    )  # fmt: skip
    return View(
        f"{len(subject.seats)} seats together",
        "What the seats have in common (a share near 1, a spread of 1 or 2 dB) can be corrected "
        "for all; the rest belongs to single seats and is left alone.",
        sheets,
        Curves((("frequency_hz", frequencies),), _curves(subject, tables)),
        _plots(subject, frequencies, tables),
    )


def _over_seats(subject: Subject, row: int, frequencies_hz: Real) -> dict[str, Real]:
    """The four curves (k,) of one output, smoothed as chosen."""
    whole = subject.measured.spectrum[row]
    arrivals, weights = subject.arrivals_s[row], subject.weights
    fraction = subject.choices.smoothing or PLAIN_SMOOTHING
    level = smoothed_at_db(whole, frequencies_hz, fraction)
    seen = FrequencyResponse(frequencies_hz, np.asarray(10 ** (level / 20), dtype=complex))
    aligned = aligned_average(whole, arrivals, weights)
    return {
        "average_db": seat_average(seen, weights).magnitude_db,
        "aligned_average_db": smoothed_at_db(aligned, frequencies_hz, fraction),
        "spread_db": seat_spread_db(seen, weights),
        "coherence": _coherence(subject, row, frequencies_hz),
    }


def _coherence(subject: Subject, row: int, frequencies_hz: Real) -> Real:
    """Share of the power in common, powers averaged over the smoothing before the ratio."""
    whole = subject.measured.spectrum[row]
    fraction = subject.choices.smoothing or PLAIN_SMOOTHING
    bands = smoothing_bands_hz(frequencies_hz, fraction)
    share = seat_coherence(whole, subject.arrivals_s[row], subject.weights)
    total = np.abs(seat_average(whole, subject.weights).values) ** 2
    together = mean_over_bands(whole.frequencies_hz, share * total, bands)
    return np.asarray(together / mean_over_bands(whole.frequencies_hz, total, bands))


def _curves(subject: Subject, tables: dict[str, Real]) -> tuple[Curve, ...]:
    return tuple(
        Curve(output, "", name, values[row])
        for name, values in tables.items()
        for row, output in enumerate(subject.outputs)
    )


def _lines(subject: Subject, table: Real) -> tuple[Line, ...]:
    return tuple(
        Line(output, table[row], "part", row) for row, output in enumerate(subject.outputs)
    )


def _plots(subject: Subject, frequencies: Real, tables: dict[str, Real]) -> tuple[Plot, ...]:
    unit = subject.level_unit
    average = tables["average_db"]
    return (
        frequency_plot("Power average of the seats", frequencies, _lines(subject, average),
                       f"level in {unit}", shown_range(average)),
        frequency_plot("Spread over the seats", frequencies, _lines(subject, tables["spread_db"]),
                       "standard deviation in dB", (0.0, 10.0)),
        frequency_plot("In common", frequencies, _lines(subject, tables["coherence"]),
                       "share of the power", (0.0, 1.02)),
    )  # fmt: skip


def correctable(subject: Subject) -> View:
    """How far each response is of minimum phase and common to the seats."""
    frequencies = grid_hz(subject, POINTS_PER_OCTAVE)
    tables = _shares(subject, frequencies)
    centres = octaves_hz(subject)
    sheet = octave_sheet(
        subject, "correctable", "Share that an equaliser can correct, mean in the octave",
        "share", centres, octave_means(frequencies, tables["correctable"], centres), 2,
    )  # fmt: skip
    plots = tuple(
        frequency_plot(title, frequencies, _lines(subject, tables[name]), "share", (0.0, 1.02))
        for title, name in (
            ("Of minimum phase", "minimum_phase"),
            ("Common to the seats", "common"),
            ("Correctable: both together", "correctable"),
        )
    )
    return View(
        f"What an equaliser can correct, {len(subject.seats)} seats",
        "Near 1: an equaliser mends it for every seat. Below a half it would only move the fault "
        "about, so the advice leaves it alone.",
        (sheet,),
        Curves((("frequency_hz", frequencies),), _curves(subject, tables)),
        plots,
    )


def _shares(subject: Subject, frequencies: Real) -> dict[str, Real]:
    """Shares of minimum phase, in common and correctable, (outputs, k)."""
    tables = {
        name: np.full((len(subject.outputs), len(frequencies)), np.nan)
        for name in ("minimum_phase", "common", "correctable")
    }
    share = np.asarray(subject.weights) / np.sum(subject.weights)
    for row in range(len(subject.outputs)):
        low, high = subject.band_hz(row)
        high = min(high, 0.499 * subject.measured.responses.sample_rate_hz)
        found = correctability(
            subject.measured.responses[row], (low, high), subject.arrivals_s[row], subject.weights
        )
        first = int(np.argmin(np.abs(frequencies - found.frequencies_hz[0])))
        place = slice(first, first + len(found.frequencies_hz))
        tables["minimum_phase"][row, place] = share @ found.minimum_phase
        tables["common"][row, place] = found.common
        tables["correctable"][row, place] = found.correctable
    return tables
