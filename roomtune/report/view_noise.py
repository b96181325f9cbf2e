"""The view of background noise, against the curves NC and NR."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.noise_criteria import (
    BANDS_HZ,
    Criterion,
    NoiseRating,
    curve_db,
    octave_levels_db,
    rate_noise,
)
from roomtune.errors import RoomtuneError
from roomtune.report.plots import Line, tick_text
from roomtune.report.subject import Subject, noise_scale
from roomtune.report.view import Cell, Column, Curve, Curves, Sheet, View
from roomtune.report.view_parts import frequency_plot
from roomtune.signal.bands import nominal_hz, octave_centres_hz
from roomtune.signal.values import NoiseSpectrum

Real = NDArray[np.float64]
CRITERIA: tuple[Criterion, ...] = ("NC", "NR")
Ratings = dict[str, tuple[NoiseRating, ...]]


def noise(subject: Subject) -> View:
    """Background noise per octave at each seat, rated where the microphone is calibrated."""
    centres = octave_centres_hz(31.5, 8e3)
    levels = {seat: noise_levels_db(subject, seat) for seat in subject.seats}
    rated: Ratings = {}
    if subject.calibrated:
        rated = {
            seat: tuple(rate_noise(values, centres, name) for name in CRITERIA)
            for seat, values in levels.items()
        }
    unit = "dB SPL" if subject.calibrated else "dB re full scale"
    lines = [Line(seat, levels[seat], "seat", place) for place, seat in enumerate(levels)]
    plot = frequency_plot(
        "Background noise",
        centres,
        [*lines, *_curve_lines(rated, centres)],
        f"octave level in {unit}",
    )
    curves = tuple(Curve("", seat, "noise_db", values) for seat, values in levels.items())
    return View(
        "Background noise",
        "NC 15 to 20 is a quiet listening room, NC 30 hides soft passages; the octave that "
        "decides names the culprit: bass for ventilation and traffic, treble for hiss and fans.",
        (_sheet(levels, rated, centres, unit),),
        Curves((("centre_hz", centres),), curves),
        (plot,),
    )


def noise_levels_db(subject: Subject, seat: str) -> Real:
    """Octave levels at a seat (b,): the median over its takes; dB SPL when calibrated.

    Raises RoomtuneError when no take at the seat tells of its noise.
    """
    found = []
    for (_, place), take in subject.takes.items():
        if place == seat:
            frequencies = take.noise.frequencies_hz
            density = take.noise.density * noise_scale(subject, frequencies)
            found.append(octave_levels_db(NoiseSpectrum(frequencies, density))[1])
    if not found:
        raise RoomtuneError(f"There is no take at {seat} that tells of its noise.")
    levels = np.median(np.stack(found), axis=0)
    return levels if subject.calibrated else levels + 20 * np.log10(20e-6)


def _sheet(levels: dict[str, Real], rated: Ratings, centres: Real, unit: str) -> Sheet:
    """A row per seat: octave levels and ratings."""
    seats: list[Cell] = list(levels)
    columns = [Column("seat", "octave, Hz", seats)]
    for place, centre in enumerate(centres):
        hz = nominal_hz(float(centre), 1)
        cells = [float(levels[seat][place]) for seat in levels]
        columns.append(Column(f"at_{hz:g}_hz_db", tick_text(hz), cells, 0))
    for place, name in enumerate(CRITERIA):
        values = [rated[seat][place].rating if rated else None for seat in levels]
        columns.append(Column(name.lower(), name, values, 0))
    told = [f"{seat}: {' and '.join(map(str, ratings))}." for seat, ratings in rated.items()]
    if not rated:
        told = ["No rating: it needs the microphone's sensitivity (sensitivity_dbfs_at_94_db)."]
    return Sheet("noise", f"Noise per octave, {unit}", tuple(columns), tuple(told))


def _curve_lines(rated: Ratings, centres: Real) -> list[Line]:
    """The NC and NR curves that the loudest seat reaches."""
    lines = []
    for place, name in enumerate(CRITERIA):
        curves = [ratings[place].curve for ratings in rated.values()]
        known = [curve for curve in curves if curve is not None]
        if known:
            at = [BANDS_HZ.index(nominal_hz(float(centre), 1)) for centre in centres]
            values = curve_db(max(known), name)[at]
            lines.append(Line(f"{name} {max(known)}", values, "limit" if place else "target"))
    return lines
