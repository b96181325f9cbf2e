"""The curves of the report: before and after, per output, crossovers, impulses, headroom."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.prediction import Prediction
from roomtune.advisor.scores import DEVIATION_BAND_HZ, seat_weights
from roomtune.advisor.target import target_db
from roomtune.processor.response import tuning_response
from roomtune.report.content import Content
from roomtune.report.plots import Line, Plot
from roomtune.session.verification import Verification
from roomtune.signal.bands import (
    log_frequencies_hz,
    mean_over_bands,
    power_db_or_nan,
)
from roomtune.signal.smoothing import smoothing_bands_hz
from roomtune.signal.values import FrequencyResponse
from roomtune.system.model import System

POINTS_PER_OCTAVE = 24
FINE_SMOOTHING = 12
SMOOTHING = 6
SHOWN_RANGE_DB = 40.0
IMPULSE_SPAN_S = (-0.001, 0.006)
Real = NDArray[np.float64]


def all_plots(content: Content) -> tuple[Plot, ...]:
    """Every figure that the content allows, in the order of the report."""
    plots: list[Plot] = []
    if content.advice is not None:
        plots += [*channel_plots(content), *crossover_plots(content), *impulse_plots(content)]
    if content.verification is not None:
        plots += verification_plots(content.verification)
    if content.alone is not None:
        plots += verification_plots(content.alone, "alone", "Single outputs, measured")
    if content.comparison is not None:
        plots += comparison_plots(content)
    if content.measured is not None:
        plots += output_plots(content)
    if content.advice is not None:
        plots += electrical_plots(content)
    return tuple(plots)


def grid_hz(low_hz: float = 20.0, high_hz: float = 20e3) -> Real:
    """The frequencies of all curves."""
    return log_frequencies_hz(low_hz, high_hz, POINTS_PER_OCTAVE)


def smoothed_db(
    response: FrequencyResponse, frequencies_hz: Real, fraction: int = SMOOTHING
) -> Real:
    """Level smoothed over 1/`fraction` octave, read off at the given frequencies, (..., k)."""
    used = response.frequencies_hz > 0
    power = np.abs(response.values[..., used]) ** 2
    bands = smoothing_bands_hz(frequencies_hz, fraction)
    inside = frequencies_hz <= response.frequencies_hz[-1]
    level = power_db_or_nan(mean_over_bands(response.frequencies_hz[used], power, bands))
    return np.asarray(np.where(inside, level, np.nan), dtype=float)


def _range(lines: Iterable[Line], low_db: float, high_db: float) -> tuple[float, float]:
    """The limits of a figure's level axis: wider upwards where a curve would leave it."""
    values = np.concatenate([line.values for line in lines])
    highest = float(np.fmax.reduce(values, initial=high_db))
    return low_db, high_db if highest <= high_db else 5.0 * float(np.ceil(highest / 5))


def _average_db(levels_db: Real, weights: Real) -> Real:
    """Weighted power average over the seats (the last axis but one)."""
    power = np.einsum("s,...sk->...k", weights, 10 ** (levels_db / 10))
    return np.asarray(10 * np.log10(power), dtype=float)


def _fitted_level(system: System, average_db: Real, frequencies_hz: Real, main: bool) -> float:
    """The mean level above the target that is taken out of a curve to compare shapes.

    Of a channel that is not a main one, where it is loudest (within 6 dB) in that band.
    """
    low, high = DEVIATION_BAND_HZ
    inside = (frequencies_hz >= low) & (frequencies_hz <= high)
    above = average_db - target_db(system, frequencies_hz)
    if not main:
        inside &= average_db > np.nanmax(average_db[inside]) - 6
    return float(np.nanmean(above[inside]))


def channel_plots(content: Content) -> list[Plot]:
    """Before and after at the seats, per channel; seats one by one can be switched on."""
    assert content.advice is not None
    system, frequencies = content.system, grid_hz()
    before, after = content.advice.before, content.advice.prediction
    weights = seat_weights(system, after.seats)
    levels = {k: smoothed_db(p.response, frequencies) for k, p in (("b", before), ("a", after))}
    plots = []
    for index, name in enumerate(after.channels):
        main = system.channel(name).kind == "main"
        old = levels["b"][before.channels.index(name)] if name in before.channels else None
        lines = _channel_lines(system, frequencies, levels["a"][index], old, after, weights, main)
        lines += _verified_lines(content.verification, system, name, frequencies)
        plots.append(Plot(
            f"channel-{index}", "channels", f"Channel {name}",
            f"Seat average of channel {name} before and after tuning, with its target.",
            frequencies, tuple(lines), y_label="level in dB re target level",
            y_range=_range(lines, -24.0, 16.0), explanation=(
                "Average over the seats (by their weights), 1/6 octave smoothed. Each curve is "
                "moved to the level of the target to compare shapes; levels are in the table."
            ),
        ))  # fmt: skip
    return plots


def _channel_lines(
    system: System,
    frequencies: Real,
    new: Real,
    old: Real | None,
    after: Prediction,
    weights: Real,
    main: bool,
) -> list[Line]:
    lines = [Line("target", target_db(system, frequencies), "target")]
    if not main:
        lines = []
    if old is not None:
        average = _average_db(old, weights)
        level = _fitted_level(system, average, frequencies, main)
        lines.append(Line("before", _shown(average - level), "before"))
    average = _average_db(new, weights)
    level = _fitted_level(system, average, frequencies, main)
    lines.append(Line("after, predicted", _shown(average - level), "after"))
    for seat, row in enumerate(new):
        lines.append(
            Line(f"after at {after.seats[seat]}", _shown(row - level), "seat", seat, False)
        )
    return lines


def _shown(levels_db: Real) -> Real:
    """Levels with what lies far below the loudest left out."""
    return np.where(levels_db > np.nanmax(levels_db) - SHOWN_RANGE_DB, levels_db, np.nan)


def _verified_lines(
    verification: Verification | None, system: System, channel: str, frequencies: Real
) -> list[Line]:
    """The seat average as verified, in third octaves, where it was measured."""
    if verification is None:
        return []
    rows = [r for r in verification.rows if r.channel == channel]
    if not rows:
        return []
    weights = seat_weights(system, [r.seat for r in rows])
    centres = np.asarray(verification.centres_hz)
    average = _average_db(np.stack([np.asarray(r.measured_db) for r in rows]), weights)
    main = system.channel(channel).kind == "main"
    level = _fitted_level(system, average, centres, main)
    read = np.interp(np.log(frequencies), np.log(centres), average - level)
    inside = (frequencies >= centres[0]) & (frequencies <= centres[-1])
    return [Line("after, verified", _shown(np.where(inside, read, np.nan)), "measured")]


def crossover_plots(content: Content) -> list[Plot]:
    """Per loudspeaker with several outputs: every output through the tuning, and their sum."""
    assert content.advice is not None
    if content.measured is None:
        return []
    system, measured, tuning = content.system, content.measured, content.advice.tuning
    seat = list(measured.seats).index(system.main_seat.name) if (
        system.main_seat.name in measured.seats) else 0  # fmt: skip
    spectrum = measured.spectrum
    electrical = tuning_response(tuning, spectrum.frequencies_hz)
    names = [o.name for o in tuning.outputs]
    frequencies = grid_hz()
    plots = []
    for row, channel in enumerate(tuning.channels):
        used = [i for i in range(len(names)) if np.any(electrical[row, i] != 0)]
        if len(used) < 2:
            continue
        order = [measured.outputs.index(names[i]) for i in used]
        parts = electrical[row, used] * spectrum.values[order, seat]
        values = np.concatenate([parts, parts.sum(axis=0, keepdims=True)])
        levels = smoothed_db(FrequencyResponse(spectrum.frequencies_hz, values), frequencies)
        levels = levels - np.nanmax(levels[-1])
        lines = [Line(names[i], _floor(v), "part", c) for c, (i, v) in
                 enumerate(zip(used, levels, strict=False))]  # fmt: skip
        lines.append(Line("together", _floor(levels[-1]), "sum"))
        plots.append(Plot(
            f"crossover-{row}", "crossovers", f"Channel {channel.name}: who plays what",
            f"Every output of channel {channel.name} at {measured.seats[seat]} through the new "
            "tuning, and their sum.",
            frequencies, tuple(lines), y_label="level in dB re the loudest",
            y_range=_range(lines, -40.0, 8.0), explanation=(
                "Every output through the new tuning, alone and together, at "
                f"{measured.seats[seat]}. Where two curves cross, the sum should lie 3 to 6 dB "
                "above both; a notch there would mean that they work against each other. Deep in "
                "the bass, subwoofers may lie above the sum: together they cancel a room mode."
            ),
        ))  # fmt: skip
    return plots


def _floor(levels_db: Real, floor_db: float = -45.0) -> Real:
    return np.where(levels_db > floor_db, levels_db, np.nan)


def impulse_plots(content: Content) -> list[Plot]:
    """The channels' impulse responses at the main seat, on one time axis."""
    assert content.advice is not None
    plots = []
    pairs = (("after", content.advice.prediction), ("before", content.advice.before))
    for key, prediction in pairs:
        try:
            responses = prediction.impulse_responses
        except ValueError:
            continue
        name = content.system.main_seat.name
        seat = prediction.seats.index(name) if name in prediction.seats else 0
        mains = [c for c in content.system.channels if c.kind == "main"]
        rows = [prediction.channels.index(c.name) for c in mains if c.name in prediction.channels]
        samples = responses.samples[rows, seat]
        peaks = np.argmax(np.abs(samples), axis=-1)
        middle = int(np.median(peaks))
        rate = responses.sample_rate_hz
        span = np.arange(int(IMPULSE_SPAN_S[0] * rate), int(IMPULSE_SPAN_S[1] * rate))
        chosen = np.take(samples, middle + span, axis=-1, mode="wrap")
        scale = np.max(np.abs(chosen), axis=-1, keepdims=True)
        lines = [Line(prediction.channels[r], v, "part", i) for i, (r, v) in
                 enumerate(zip(rows, chosen / scale, strict=True))]  # fmt: skip
        plots.append(Plot(
            f"impulse-{key}", "impulses", f"Impulse responses {key} tuning",
            f"Main channels at {prediction.seats[seat]} {key} tuning, each scaled to its peak.",
            1000 * span / rate, tuple(lines), "time in ms", "amplitude re peak", False, (-1.1, 1.1),
            explanation=(
                f"Impulse responses of the main channels at {prediction.seats[seat]}. "
                "Peaks that stand above each other arrive together."
            ),
        ))  # fmt: skip
    return plots


def verification_plots(
    verification: Verification, key: str = "verification", measured: str = "Measured"
) -> list[Plot]:
    """Measured minus predicted per channel (or single output), one figure per seat."""
    centres = np.asarray(verification.centres_hz)
    bound = np.full(len(centres), verification.tolerance.band_db)
    plots = []
    seats = list(dict.fromkeys(row.seat for row in verification.rows))
    for index, seat in enumerate(seats):
        rows = [row for row in verification.rows if row.seat == seat]
        lines = [Line("limit", bound, "limit"), Line("limit", -bound, "limit")]
        lines += [
            Line(r.channel, np.where(r.judged, r.difference_db, np.nan), "part", i)
            for i, r in enumerate(rows)
        ]
        plots.append(Plot(
            f"{key}-{index}", "verification", f"{measured} minus predicted at {seat}",
            f"Difference of measured and predicted level per third-octave band at {seat}.",
            centres, tuple(lines), y_label="difference in dB", y_range=(-6.0, 6.0),
            explanation="Third-octave bands; a perfect match lies at 0 dB, dotted are the limits.",
        ))  # fmt: skip
    return plots


def comparison_plots(content: Content) -> list[Plot]:
    """What changed since last time, per output, averaged over the seats."""
    comparison = content.comparison
    assert comparison is not None
    levels = np.asarray(comparison.level_db)
    known = np.isfinite(levels)
    mean = np.where(known.any(axis=1), np.where(known, levels, 0).sum(axis=1), np.nan)
    mean = mean / np.maximum(known.sum(axis=1), 1)
    lines = [Line(name, mean[i], "part", i) for i, name in enumerate(comparison.outputs)]
    return [Plot(
        "comparison", "comparison", "Level now minus level last time",
        "Change of every output per third-octave band, averaged over the seats.",
        np.asarray(comparison.centres_hz), tuple(lines), y_label="change in dB",
        explanation="Third-octave bands, averaged over the seats.",
    )]  # fmt: skip


def output_plots(content: Content) -> list[Plot]:
    """Every output as measured, at every seat."""
    measured = content.measured
    assert measured is not None
    frequencies = grid_hz()
    levels = smoothed_db(measured.spectrum, frequencies, FINE_SMOOTHING)
    unit = "dB re full scale" if measured.responses.unit == "full scale" else "dB re 1 Pa"
    plots = []
    for index, name in enumerate(measured.outputs):
        lines = tuple(
            Line(seat, _shown(levels[index, s]), "seat", s) for s, seat in enumerate(measured.seats)
        )
        plots.append(Plot(
            f"output-{index}", "outputs", f"Output {name}",
            f"Output {name} as measured at every seat, 1/12 octave smoothed.",
            frequencies, lines, y_label=f"level in {unit}", explanation=(
                "As the microphone heard it (its correction applied), without any tuning; 1/12 "
                "octave smoothed. Dips that differ from seat to seat are the room's and cannot be "
                "filled."
            ),
        ))  # fmt: skip
    return plots


def electrical_plots(content: Content) -> list[Plot]:
    """What the processor does to each output: the gain of the loudest route, over frequency."""
    assert content.advice is not None
    tuning, frequencies = content.advice.tuning, grid_hz()
    frequencies = frequencies[frequencies < 0.49 * tuning.sample_rate_hz]
    gains = np.abs(tuning_response(tuning, frequencies))
    levels = 20 * np.log10(np.maximum(gains.max(axis=0), 1e-6))
    lines = tuple(Line(o.name, _floor(levels[i]), "part", i) for i, o in enumerate(tuning.outputs))
    return [Plot(
        "electrical", "electrical", "What the processor does",
        "Gain from the loudest channel to each output: crossovers, filters and levels together.",
        frequencies, lines, y_label="gain in dB", y_range=_range(lines, -45.0, 12.0),
        explanation="Crossovers, filters and levels together, from each output's loudest channel.",
    )]  # fmt: skip


def headroom_rows(content: Content) -> list[dict[str, object]]:
    """Per output: the highest gain, and the peak with all channels at full scale at once."""
    if content.advice is None:
        return []
    tuning = content.advice.tuning
    frequencies = grid_hz(20.0, min(20e3, 0.49 * tuning.sample_rate_hz))
    gains = np.abs(tuning_response(tuning, frequencies))
    rows = []
    for index, output in enumerate(tuning.outputs):
        single, together = gains[:, index].max(axis=0), gains[:, index].sum(axis=0)
        worst = int(np.argmax(together))
        rows.append({
            "output": output.name,
            "number": output.number,
            "single_db": float(20 * np.log10(max(single.max(), 1e-6))),
            "together_db": float(20 * np.log10(max(together[worst], 1e-6))),
            "at_hz": float(frequencies[worst]),
            "limiter_dbfs": output.limiter.threshold_dbfs if output.limiter else None,
        })  # fmt: skip
    return sorted(rows, key=lambda r: r["number"])  # type: ignore[arg-type,return-value]
