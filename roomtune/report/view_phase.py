"""The view of phase: as measured, of minimum phase, in excess of it, and group delay."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.phase import (
    POINTS_PER_OCTAVE,
    group_delay_of_s,
    minimum_phase_part,
    seen_from_arrival,
)
from roomtune.report.plots import Plot
from roomtune.report.subject import Subject
from roomtune.report.view import Curve, Curves, View
from roomtune.report.view_parts import (
    after_arrival,
    at_seats,
    curves_of,
    frequency_plot,
    grid_hz,
    lines_of,
    octave_medians,
    octave_sheet,
    octaves_hz,
)
from roomtune.signal.smoothing import smooth_complex
from roomtune.signal.values import FrequencyResponse

Real = NDArray[np.float64]
CYCLES = 12.0


def phase(subject: Subject) -> View:
    """Phase and group delay, seen through a window of constant cycles from the arrival on."""
    frequencies = grid_hz(subject, POINTS_PER_OCTAVE)
    quantities = _quantities(subject, frequencies)
    curves: list[Curve] = []
    for quantity, values in quantities.items():
        curves += curves_of(subject, quantity, values)
    centres = octaves_hz(subject)
    sheet = octave_sheet(
        subject, "excess_group_delay",
        f"Excess group delay {at_seats(subject)}, ms (median of the octave)", "ms", centres,
        octave_medians(frequencies, quantities["excess_group_delay_ms"], centres), 2,
    )  # fmt: skip
    return View(
        f"Phase and group delay {at_seats(subject)}, the arrival taken out",
        "Where the excess phase runs level the response is of minimum phase, and an equaliser "
        "mends level and phase together; where it turns, leave it alone.",
        (sheet,),
        Curves((("frequency_hz", frequencies),), tuple(curves)),
        _plots(subject, frequencies, quantities),
    )


def _quantities(subject: Subject, frequencies: Real) -> dict[str, Real]:
    """Phases and group delays by their keys, (outputs, seats, k), NaN beyond the bands."""
    shape = (len(subject.outputs), len(subject.seats), len(frequencies))
    tables: dict[str, Real] = {}
    for row in range(len(subject.outputs)):
        seen = _seen(subject, row)
        first = int(np.argmin(np.abs(frequencies - seen.frequencies_hz[0])))
        least = minimum_phase_part(seen)
        beyond = FrequencyResponse(seen.frequencies_hz, seen.values / least.values)
        found = {
            "phase_deg": np.degrees(np.angle(seen.values)),
            "minimum_phase_deg": np.degrees(np.angle(least.values)),
            "excess_phase_deg": np.degrees(np.angle(beyond.values)),
            "group_delay_ms": 1000 * group_delay_of_s(seen),
            "excess_group_delay_ms": 1000 * group_delay_of_s(beyond),
        }
        for key, values in found.items():
            table = tables.setdefault(key, np.full(shape, np.nan))
            table[row, :, first : first + values.shape[-1]] = values
    return tables


def _seen(subject: Subject, row: int) -> FrequencyResponse:
    """One output at its seats (seats, k), time zero at each arrival, smoothed as chosen."""
    responses = subject.measured.responses
    if subject.choices.window_s is not None:
        responses = after_arrival(responses, subject.arrivals_s, subject.choices.window_s)
    low, high = subject.band_hz(row)
    high = min(high, 0.499 * responses.sample_rate_hz)
    cycles = subject.choices.window_cycles or CYCLES
    seen = seen_from_arrival(responses[row], (low, high), subject.arrivals_s[row], cycles)
    if subject.choices.smoothing is None:
        return seen
    return smooth_complex(seen, subject.choices.smoothing)


def _plots(subject: Subject, frequencies: Real, quantities: dict[str, Real]) -> tuple[Plot, ...]:
    """Phase, excess phase and group delay; turns of the circle drawn as gaps."""
    plots = []
    for quantity, title in (("phase_deg", "Phase"), ("excess_phase_deg", "Excess phase")):
        values = quantities[quantity].copy()
        turned = np.abs(np.diff(values, axis=-1)) > 180
        values[..., 1:][turned] = np.nan
        plots.append(
            frequency_plot(
                title, frequencies, lines_of(subject, values), "phase in degrees", (-180.0, 180.0)
            )
        )
    delays = quantities["group_delay_ms"]
    known = delays[np.isfinite(delays)]
    reach = (-5.0, 20.0)
    if known.size:
        low, high = np.percentile(known, [2, 98])
        reach = (float(min(low, 0) - 1), float(max(high, 1) * 1.2))
    plots.append(
        frequency_plot(
            "Group delay", frequencies, lines_of(subject, delays), "group delay in ms", reach
        )
    )
    return tuple(plots)
