"""Views over time: impulse, step and energy; and time with frequency."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.phase import energy_time_curve_db, step_response
from roomtune.analysis.time_frequency import (
    TimeFrequency,
    cumulative_spectral_decay,
    fall_times_s,
    spectrogram,
    wavelet_view,
)
from roomtune.report.plots import Plot
from roomtune.report.subject import Subject
from roomtune.report.surfaces import Surface
from roomtune.report.view import Column, Curves, Sheet, View
from roomtune.report.view_parts import (
    ARRIVAL_REMARK,
    at_seats,
    curves_of,
    lines_of,
    octave_sheet,
    octaves_hz,
)
from roomtune.signal.bands import band_edges_hz, log_frequencies_hz
from roomtune.signal.decibels import power_db
from roomtune.signal.values import ImpulseResponse
from roomtune.signal.windows import cropped

Real = NDArray[np.float64]
BEFORE_S = 2e-3
TIMES = 81
POINTS_PER_OCTAVE = 24
DROP_DB = 20.0
CYCLES = 6.0


def time(subject: Subject) -> View:
    """Impulse response, step response and energy over time, from the first arrival on."""
    shown, until_s = _shown(subject, 0.02)
    rate = shown.sample_rate_hz
    scale = np.max(np.abs(shown.samples), axis=-1, keepdims=True)
    level = energy_time_curve_db(shown)
    step = step_response(shown).samples
    steps = step / np.maximum(np.max(np.abs(step), axis=-1, keepdims=True), 1e-300)
    times_ms = 1000 * (shown.times_s - float(np.min(subject.arrivals_s)))
    curves = [
        *curves_of(subject, f"sample_re_{'pa' if subject.calibrated else 'full_scale'}",
                   shown.samples),
        *curves_of(subject, "step_re_peak", steps),
        *curves_of(subject, "energy_db", level),
    ]  # fmt: skip
    plots = [
        _time_plot("Impulse response", times_ms, subject, shown.samples / scale, "re its peak"),
        _time_plot("Step response", times_ms, subject, steps, "re its peak"),
        _time_plot("Energy over time", times_ms, subject, level, "level in dB", (-60.0, 3.0)),
    ]
    return View(
        f"Over time {at_seats(subject)}, first {1000 * until_s:.0f} ms",
        "The drivers of one loudspeaker should rise together and in the same direction; peaks "
        "after the first one are reflections.",
        (_arrival_sheet(subject, level, rate, shown.start_s),),
        Curves((("time_ms", times_ms),), tuple(curves)),
        tuple(plots),
    )


def _arrival_sheet(subject: Subject, level: Real, rate: float, start_s: float) -> Sheet:
    """Arrival, polarity, and the share of the shown energy that comes first."""
    arrival, polarity = subject.first_sound
    pairs = subject.pairs()
    rows = [(row, column) for row, column, _ in pairs]
    peaks = start_s + np.argmax(level, axis=-1) / rate
    return Sheet(
        "arrivals",
        f"First sound {at_seats(subject)}",
        (
            Column("output", None, [subject.outputs[row] for row, _ in rows]),
            Column("seat", None, [subject.seats[column] for _, column in rows]),
            Column("", "output", [name for _, _, name in pairs]),
            Column("arrival_ms", "arrival ms", [1000 * arrival.time_s[p] for p in rows], 3),
            Column("arrival_uncertainty_ms", "± ms",
                   [1000 * arrival.uncertainty_s[p] for p in rows], 3),
            Column("polarity", "polarity", [_sign_text(polarity.sign[p]) for p in rows]),
            Column("polarity_confidence", "sure", [float(polarity.confidence[p]) for p in rows], 2),
            Column("peak_after_arrival_ms", "peak after ms",
                   [1000 * float(peaks[p] - subject.arrivals_s[p]) for p in rows], 2),
        ),
        (ARRIVAL_REMARK,),
    )  # fmt: skip


def _sign_text(sign: int) -> str:
    return {1: "normal", -1: "reversed"}.get(int(sign), "?")


def fading(subject: Subject) -> View:
    """Spectrum of what is left from each time on (cumulative spectral decay)."""
    look = partial(_averaged, look=cumulative_spectral_decay)
    return _surfaces(
        subject, look, "What is left", "Spectrum of what is left after each time",
        "Ridges that stand long after the rest has gone are resonances: of the room in the bass, "
        "of a driver or its box above.",
    )  # fmt: skip


def windowed_spectrum(subject: Subject) -> View:
    """Level through a window of fixed length (spectrogram)."""
    look = partial(_averaged, look=_spectrogram_at)
    return _surfaces(
        subject, look, "Spectrogram", "Level over time and frequency, window of fixed length",
        "Bright patches after the start are reflections and resonances; an even fade is a good "
        "room.",
    )  # fmt: skip


def wavelets(subject: Subject) -> View:
    """Level through wavelets of a constant number of cycles."""
    look = partial(wavelet_view, cycles=CYCLES)
    return _surfaces(
        subject, look, "Wavelets", f"Level over time and frequency, wavelets of {CYCLES:g} cycles",
        "The brightest line should stand straight up: where it leans to the right, that part of "
        "the sound comes late.",
        each=True,
    )  # fmt: skip


Look = Callable[[ImpulseResponse, Real, Real], TimeFrequency]


def _averaged(part: ImpulseResponse, frequencies: Real, times: Real, look: Look) -> TimeFrequency:
    """The mean power of three frequencies about each one, so that none falls between."""
    apart = 2 ** (np.array([-1, 0, 1]) / 3 / POINTS_PER_OCTAVE)
    fine = np.multiply.outer(frequencies, apart)
    level = look(part, fine.ravel(), times).level_db.reshape(len(times), *fine.shape)
    return TimeFrequency(times, frequencies, power_db(np.mean(10 ** (level / 10), axis=-1)))


def _spectrogram_at(part: ImpulseResponse, frequencies: Real, times: Real) -> TimeFrequency:
    span_s = float(times[-1] - times[0])
    found = spectrogram(part, span_s / 8, span_s / (len(times) - 1), frequencies)
    return _at_times(found, times)


def _surfaces(
    subject: Subject, look: Look, name: str, title: str, look_for: str, each: bool = False
) -> View:
    """A surface per output at each seat, and how long each octave takes to fall by 20 dB."""
    until_s = _until_s(subject, 0.3)
    low, high = subject.measured.bands_hz[:, 0].min(), subject.measured.bands_hz[:, 1].max()
    highest = 0.49 * subject.measured.responses.sample_rate_hz
    frequencies = log_frequencies_hz(float(low), float(min(high, highest)), POINTS_PER_OCTAVE)
    after = np.linspace(0, until_s, TIMES)
    looked = [_looked(subject, pair[:2], frequencies, after, look) for pair in subject.pairs()]
    level = np.reshape(looked, (len(subject.outputs), len(subject.seats), *looked[0].shape))
    centres = octaves_hz(subject)
    seen = TimeFrequency(after, frequencies, np.nan_to_num(level, nan=-300.0))
    falls = 1000 * fall_times_s(seen, band_edges_hz(centres, 1), DROP_DB)
    sheet = octave_sheet(
        subject, "fall_times",
        f"Time in which an octave falls by {DROP_DB:.0f} dB for good {at_seats(subject)}, ms",
        "ms", centres, falls, 0, ("A question mark: not within the time looked at.",),
    )  # fmt: skip
    figures = []
    for found, (*_, label) in zip(looked, subject.pairs(), strict=True):
        known = np.isfinite(found[0])
        figures.append(
            Surface(f"{name}: {label}", 1000 * after, frequencies[known], found[:, known],
                    each=each)
        )  # fmt: skip
    axes = (("time_ms", 1000 * after), ("frequency_hz", frequencies))
    return View(
        f"{title} {at_seats(subject)}, first {1000 * until_s:.0f} ms",
        look_for,
        (sheet,),
        Curves(axes, tuple(curves_of(subject, "level_db", level))),
        tuple(figures),
    )


def _looked(
    subject: Subject, pair: tuple[int, int], frequencies: Real, after: Real, look: Look
) -> Real:
    """Level (t, k) of one output at a seat, from its arrival on; NaN beyond its band."""
    row, column = pair
    arrival_s = float(subject.arrivals_s[row, column])
    low, high = subject.band_hz(row)
    inside = (frequencies >= low) & (frequencies <= high)
    reach = float(after[-1]) + 2 * CYCLES / low
    response = subject.measured.responses[row, column]
    part = cropped(response, arrival_s - reach / 4, arrival_s + reach)
    level = np.full((len(after), len(frequencies)), np.nan)
    level[:, inside] = look(part, frequencies[inside], arrival_s + after).level_db
    return level + subject.offset_db


def _at_times(found: TimeFrequency, times: Real) -> TimeFrequency:
    """The same at other times, by interpolation in dB."""
    place = np.interp(times, found.times_s, np.arange(len(found.times_s)))
    first = np.minimum(place.astype(int), len(found.times_s) - 2)
    share = (place - first)[:, None]
    level = found.level_db[first] * (1 - share) + found.level_db[first + 1] * share
    return TimeFrequency(times, found.frequencies_hz, level)


def _until_s(subject: Subject, usual_s: float) -> float:
    chosen = subject.choices.until_ms
    return usual_s if chosen is None else chosen / 1000


def _shown(subject: Subject, usual_s: float) -> tuple[ImpulseResponse, float]:
    """The responses from just before the first arrival on; how long after the last one."""
    lowest = float(subject.measured.bands_hz[:, 0].min())
    until_s = _until_s(subject, max(usual_s, 0.6 / lowest))
    first, last = float(np.min(subject.arrivals_s)), float(np.max(subject.arrivals_s))
    return cropped(subject.measured.responses, first - BEFORE_S, last + until_s), until_s


def _time_plot(
    title: str,
    times_ms: Real,
    subject: Subject,
    values: Real,
    y_label: str,
    y_range: tuple[float, float] | None = None,
) -> Plot:
    return Plot(
        "view", "view", title, "", times_ms, lines_of(subject, values), "time in ms after the "
        "first arrival", y_label, False, y_range,
    )  # fmt: skip
