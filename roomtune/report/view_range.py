"""The view of range: how low, how high, how quiet and how loud each output plays here."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.averages import seat_average
from roomtune.analysis.distortion import FIRST_ORDER, Distortion, usable_level_dbfs
from roomtune.analysis.levels import band_level_db
from roomtune.analysis.operating_band import extension_hz, usable_band_hz, working_range_hz
from roomtune.capture.take import Take
from roomtune.report.subject import PEAK_SINE_DB, Subject, noise_scale
from roomtune.report.view import Cell, Column, Sheet, View
from roomtune.report.view_distortion import POINTS_PER_OCTAVE, distortion_of
from roomtune.report.view_parts import at_seats
from roomtune.signal.bands import log_frequencies_hz
from roomtune.signal.values import FrequencyResponse

Real = NDArray[np.float64]
DROPS_DB = (3.0, 6.0, 10.0)
REFERENCE_OVER_LOWEST = (3.0, 9.0)
COLUMNS = (
    ("lowest_3_db_hz", "-3 dB"),
    ("lowest_6_db_hz", "-6 dB"),
    ("lowest_10_db_hz", "-10 dB"),
    ("plays_from_hz", None),
    ("plays_to_hz", None),
    ("usable_from_hz", "usable"),
    ("usable_to_hz", "to Hz"),
    ("quiet_level_dbfs", "quiet dB"),
    ("clean_level_dbfs", "clean dB"),
    ("clean_limit_at_hz", "at Hz"),
)
REMARKS = (
    "-3, -6, -10 dB: lowest frequency in the room, re the mean from 3 to 9 times the lowest "
    "frequency played; under: where the level has not fallen so far where the band begins.",
    "usable: within 10 dB of the usual level, 10 dB over the noise, under 10 % distortion.",
    "quiet to clean, dB re full scale: from where pink noise in the output's band sinks into the "
    "room's noise, up to where order 2 passes 3 % or another 1 % (extrapolated; ? where noise "
    "hides all distortion).",
)


def reach(subject: Subject) -> View:
    """How low and how high each output plays here, how quiet and how loud."""
    rows = [_row(subject, row) for row in range(len(subject.outputs))]
    names: list[Cell] = list(subject.outputs)
    columns = [
        column
        for place, (key, heading) in enumerate(COLUMNS)
        for column in _columns(subject, key, heading, [row[place] for row in rows])
    ]
    return View(
        f"Range of each output {at_seats(subject)}",
        "Cross over well inside the usable range; the room lifts the lowest octaves, so a woofer "
        "here often reaches lower than its data promise.",
        (
            Sheet(
                "outputs",
                f"Range, average {at_seats(subject)}",
                (Column("output", "output", names), *columns),
                REMARKS,
            ),
        ),
    )


def _columns(
    subject: Subject, key: str, heading: str | None, values: list[float | None]
) -> list[Column]:
    """A column of figures, and how a person reads it where the band ends before the level falls."""
    if not key.startswith("lowest"):
        return [Column(key, heading, values, 0)]
    lows = [subject.band_hz(row)[0] for row in range(len(values))]
    read = [
        "?" if value is None else f"{value:.0f}" if np.isfinite(value) else f"under {low:.0f}"
        for value, low in zip(values, lows, strict=True)
    ]
    return [Column(key, None, values, 0), Column("", heading, read)]


def _row(subject: Subject, row: int) -> list[float | None]:
    """The figures of one output, in the order of COLUMNS."""
    low, high = subject.band_hz(row)
    average = seat_average(subject.measured.spectrum[row], subject.weights)
    take = subject.takes.get((subject.outputs[row], subject.seats[0]))
    found = None
    if take is not None and take.harmonics:
        grid = log_frequencies_hz(low, high / FIRST_ORDER, POINTS_PER_OCTAVE)
        found = distortion_of(subject, take, grid)
    plays = working_range_hz(average, (low, high))
    noise = _noise_level_db(subject, row, average.frequencies_hz)
    usable = usable_band_hz(average, (low, high), noise, found)
    quiet: float | None = None
    clean: list[float | None] = [None, None]
    if take is not None:
        quiet = quiet_level_dbfs(subject, row, take)
    if take is not None and found is not None:
        clean = _clean_level(found, take.level_dbfs, usable)
    return [*_lowest_hz(average, (low, high)), *map(float, plays), *usable, quiet, *clean]


def _lowest_hz(average: FrequencyResponse, band_hz: tuple[float, float]) -> list[float | None]:
    """Where the level has fallen by 3, 6 and 10 dB; None where the band tells no reference."""
    low, high = band_hz
    reference = (REFERENCE_OVER_LOWEST[0] * low, min(REFERENCE_OVER_LOWEST[1] * low, high))
    if reference[1] <= 1.5 * reference[0]:
        return [None] * len(DROPS_DB)
    return list(extension_hz(average, reference, DROPS_DB, low))


def quiet_level_dbfs(subject: Subject, row: int, take: Take) -> float:
    """Drive at which pink noise in the band is as loud as the room's noise there, at one seat.

    In dB re a full-scale sine.
    """
    low, high = subject.band_hz(row)
    frequencies = take.noise.frequencies_hz
    inside = (frequencies >= low) & (frequencies <= high)
    density = take.noise.density * noise_scale(subject, frequencies)
    power = 2 * np.sum(density[inside]) * float(frequencies[1] - frequencies[0])
    loud_db = float(band_level_db(subject.measured.spectrum[row, 0], (low, high))) - PEAK_SINE_DB
    return float(10 * np.log10(max(power, 1e-300)) - loud_db)


def _noise_level_db(subject: Subject, row: int, frequencies_hz: Real) -> Real:
    """Level of the noise in the seat average's response, on its grid."""
    share = np.asarray(subject.weights) / np.sum(subject.weights)
    measured = subject.measured
    power = share @ measured.deviation[row] ** 2
    level = 10 * np.log10(np.maximum(power, 1e-300))
    return np.interp(frequencies_hz, measured.deviation_hz, level)


def _clean_level(
    found: Distortion, level_dbfs: float, band_hz: tuple[float, float]
) -> list[float | None]:
    """The highest clean level in a band and where it is lowest; None where nothing is heard."""
    highest = usable_level_dbfs(found, level_dbfs)
    inside = (found.frequencies_hz >= band_hz[0]) & (found.frequencies_hz <= band_hz[1])
    known = inside & np.isfinite(highest)
    if not np.any(known):
        return [None, None]
    place = int(np.argmin(np.where(known, highest, np.inf)))
    return [float(highest[place]), float(found.frequencies_hz[place])]
