"""The view of harmonic distortion against frequency."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.distortion import FIRST_ORDER, Distortion, distortion
from roomtune.analysis.levels import in_pascal
from roomtune.analysis.microphone import correct_impulse_response
from roomtune.capture.take import Take
from roomtune.errors import RoomtuneError
from roomtune.report.plots import Line, Plot
from roomtune.report.subject import Subject, noise_scale
from roomtune.report.view import Column, Curve, Curves, Sheet, View
from roomtune.report.view_parts import at_seats, octave_means
from roomtune.signal.bands import log_frequencies_hz, nominal_hz, octave_centres_hz
from roomtune.signal.sweeps import sweep_energy_density
from roomtune.signal.values import NoiseSpectrum

Real = NDArray[np.float64]
POINTS_PER_OCTAVE = 24
ORDERS = range(FIRST_ORDER, 10)


def harmonics(subject: Subject) -> View:
    """Harmonic distortion against frequency, at the level played, with its noise floor.

    Raises RoomtuneError for a take that holds no harmonics.
    """
    sheets, curves, figures = [], [], []
    frequencies = _fundamentals_hz(subject)
    for row, column, name in subject.pairs():
        output, seat = subject.outputs[row], subject.seats[column]
        take = _take(subject, row, column)
        found = distortion_of(subject, take, frequencies)
        where = f"{name}, played at {take.level_dbfs:.0f} dB re full scale"
        sheets.append(_harmonic_sheet(where, found, output, seat, take.level_dbfs,
                                      subject.offset_db))  # fmt: skip
        curves += _harmonic_curves(found, output, seat, take.level_dbfs + subject.offset_db)
        figures.append(_harmonic_plot(where, found))
    return View(
        f"Harmonic distortion {at_seats(subject)}",
        "Second order is mild, third and above sound rough; what rises quickly towards low "
        "frequencies says: cross over higher or play that driver more quietly.",
        tuple(sheets),
        Curves((("frequency_hz", frequencies),), tuple(curves)),
        tuple(figures),
    )


def distortion_of(subject: Subject, take: Take, frequencies_hz: Real) -> Distortion:
    """Distortion of a take at fundamental frequencies, microphone corrected."""
    parts = [take.impulse_response, *take.harmonics]
    sensitivity = subject.system.microphone.sensitivity_dbfs_at_94_db
    if subject.calibrated and sensitivity is not None:
        parts = [in_pascal(part, sensitivity) for part in parts]
    correction = subject.correction
    if correction is not None:
        parts = [correct_impulse_response(part, correction) for part in parts]
    band = take.stimulus.valid_band_hz
    return distortion(parts[0], parts[1:], frequencies_hz, band, recovered_noise(subject, take))


def recovered_noise(subject: Subject, take: Take) -> NoiseSpectrum:
    """Density that the noise of a take leaves in its responses, unit^2 per Hz.

    The density S at the microphone over |A X|^2 of the sweep's samples at the
    level played: noise passes the same inverse as the sweep.
    """
    sweep = take.stimulus
    low, high = sweep.valid_band_hz
    frequencies = np.geomspace(low, high, 400)
    energy = sweep_energy_density(sweep, frequencies) * 10 ** (take.level_dbfs / 10)
    density = take.noise.at(frequencies) * noise_scale(subject, frequencies)
    density = density / (energy * sweep.sample_rate_hz**2)
    return NoiseSpectrum(frequencies, density)


def _take(subject: Subject, row: int, column: int) -> Take:
    key = subject.outputs[row], subject.seats[column]
    take = subject.takes.get(key)
    if take is None or not take.harmonics:
        raise RoomtuneError(
            f"The take of {key[0]} at {key[1]} holds no harmonics: outputs that were measured "
            "all at once, or by an older version, tell none. Measure it alone."
        )
    return take


def _fundamentals_hz(subject: Subject) -> Real:
    low, high = subject.measured.bands_hz[:, 0].min(), subject.measured.bands_hz[:, 1].max()
    return log_frequencies_hz(float(low), float(high) / FIRST_ORDER, POINTS_PER_OCTAVE)


def _harmonic_sheet(
    title: str, found: Distortion, output: str, seat: str, level_dbfs: float, offset_db: float
) -> Sheet:
    """A row per octave of the fundamental: level, orders 2 to 9, total; noise in brackets."""
    centres = octave_centres_hz(31.5, 8e3)
    level = octave_means(found.frequencies_hz, found.fundamental_db, centres)
    total = _power_mean(found, found.total_db[None], centres)[0]
    used = np.flatnonzero(np.isfinite(level) & np.isfinite(total))
    table = _power_mean(found, found.harmonics_db, centres)
    heard = octave_means(found.frequencies_hz, found.heard.astype(float), centres)
    columns = []
    for order in ORDERS:
        place = order - FIRST_ORDER
        there = place < len(table)
        cells = table[place, used] if there else np.full(len(used), np.nan)
        noise = list(heard[place, used] < 0.5) if there else ()
        columns.append(Column(f"order_{order}_db", f"H{order}", list(cells), 0, noise))
    drive = level_dbfs + offset_db
    return Sheet(
        "octaves",
        title,
        (
            Column("output", None, [output] * len(used)),
            Column("seat", None, [seat] * len(used)),
            Column("centre_hz", "octave", [nominal_hz(float(c), 1) for c in centres[used]], 0),
            Column("level_db", "level", list(level[used] + drive), 0),
            *columns,
            Column("total_percent", "total %", list(100 * 10 ** (total[used] / 20)), 2),
        ),
        ("Harmonics in dB re the fundamental; in brackets: mostly noise.",),
    )


def _power_mean(found: Distortion, values: Real, centres: Real) -> Real:
    means = octave_means(found.frequencies_hz, 10 ** (values / 10), centres)
    return 10 * np.log10(np.maximum(means, 1e-30))


def _harmonic_curves(found: Distortion, output: str, seat: str, drive_db: float) -> list[Curve]:
    curves = [
        Curve(output, seat, "level_db", found.fundamental_db + drive_db),
        Curve(output, seat, "total_db", found.total_db),
    ]
    for place, (ratio, floor) in enumerate(zip(found.harmonics_db, found.floor_db, strict=True)):
        order = place + FIRST_ORDER
        curves.append(Curve(output, seat, f"order_{order}_db", ratio))
        curves.append(Curve(output, seat, f"order_{order}_noise_db", floor))
    return curves


def _harmonic_plot(title: str, found: Distortion) -> Plot:
    """Total and orders 2 to 5 re the fundamental, and the floor of the second order."""
    lines = [Line("total", found.total_db, "sum")]
    for place, ratio in enumerate(found.harmonics_db[:4]):
        seen = np.where(found.heard[place], ratio, np.nan)
        lines.append(Line(f"order {place + FIRST_ORDER}", seen, "part", place))
    if len(found.floor_db):
        known = np.where(np.isfinite(found.harmonics_db[0]), found.floor_db[0], np.nan)
        lines.append(Line("noise (order 2)", known, "limit"))
    played = np.isfinite(found.total_db)
    ends = found.frequencies_hz[played][[0, -1]] if played.any() else found.frequencies_hz[[0, -1]]
    return Plot(
        "view", "view", title, "", found.frequencies_hz, tuple(lines),
        "fundamental frequency in Hz", "dB re the fundamental", y_range=(-90.0, 0.0),
        x_range=(float(ends[0]), float(ends[1])),
    )  # fmt: skip
