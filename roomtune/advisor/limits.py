"""Headroom: what reaches each output at worst, and what keeps it within its limits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.driver_limits import DriverLimit, driver_limit
from roomtune.processor.response import tuning_response
from roomtune.processor.rounding import rounded_to
from roomtune.processor.tuning import Limiter, Tuning
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import Output, System

Array = NDArray[np.float64]
BLOCK = 1 << 15
POINTS_PER_OCTAVE = 24
RELEASE_PERIODS, QUICKEST_RELEASE_MS = 8.0, 100.0


@dataclass(frozen=True)
class Headroom:
    """Peak levels of an output, dB re digital full scale.

    sine_dbfs: the loudest single channel at full scale, any sine;
    worst_dbfs: all channels at full scale in the worst possible signals;
    typical_dbfs: unrelated pink programmes in all channels, each peaking at
    full scale, if what is summed keeps their crest factor.
    """

    output: str
    sine_dbfs: float
    worst_dbfs: float
    typical_dbfs: float


def headrooms(tuning: Tuning) -> tuple[Headroom, ...]:
    """Peaks through the whole matrix.

    The worst case is the sum of the channels' impulse-response magnitudes,
    which bounds the peak of any input that stays within full scale.
    """
    import scipy.fft

    frequencies = np.arange(BLOCK // 2 + 1) * tuning.sample_rate_hz / BLOCK
    response = tuning_response(without_delays(tuning), frequencies)
    audible = (frequencies >= 10) & (frequencies <= 20e3)
    magnitude = np.abs(response[..., audible])
    pink = 1 / frequencies[audible]
    found = []
    for place, setting in enumerate(tuning.outputs):
        played = np.flatnonzero(np.any(response[:, place] != 0, axis=-1))
        samples = scipy.fft.irfft(response[played, place], BLOCK)
        worst = float(np.abs(samples).sum())
        sine = float(magnitude[played, place].max(initial=0.0))
        power = np.sum(magnitude[played, place] ** 2 * pink, axis=-1) / pink.sum()
        found.append(
            Headroom(setting.name, _db(sine), _db(worst), _db(np.sqrt(float(power.sum()))))
        )
    return tuple(found)


def without_delays(tuning: Tuning) -> Tuning:
    """The tuning without delays, which change no peak of a single channel."""
    return replace(
        tuning,
        routes=tuple(replace(r, delay_ms=0.0) for r in tuning.routes),
        outputs=tuple(replace(o, delay_ms=0.0) for o in tuning.outputs),
    )


def limit_grid_hz(tuning: Tuning) -> Array:
    """Frequencies at which limits are held, 8 Hz to 20 kHz."""
    return log_frequencies_hz(8.0, min(20e3, 0.49 * tuning.sample_rate_hz), POINTS_PER_OCTAVE)


def reached_dbfs(tuning: Tuning, frequencies_hz: Array) -> dict[str, Array]:
    """Sine level (k,) that all channels together can make at each output, no limiter working."""
    magnitude = np.abs(tuning_response(without_delays(tuning), frequencies_hz)).sum(axis=0)
    level = 20 * np.log10(np.maximum(magnitude, 1e-9))
    return {o.name: row for o, row in zip(tuning.outputs, level, strict=True)}


def driver_limits(system: System, tuning: Tuning) -> dict[str, DriverLimit]:
    """The limits of every output on the grid of the limits."""
    grid = limit_grid_hz(tuning)
    return {o.name: driver_limit(system.output(o.name), grid) for o in tuning.outputs}


def within_headroom(system: System, tuning: Tuning) -> Tuning:
    """Shift all outputs together so that no single channel at full scale clips one.

    Without limiters the worst case of all channels together stays below every
    output's limits instead.
    """
    over = excess_db(system, tuning)
    step = system.processor.gain_db.step or 0.1
    over = float(np.ceil(over / step - 1e-9) * step)
    room = min(system.processor.gain_db.maximum - o.gain_db for o in tuning.outputs)
    return _shifted(tuning, min(-over, room))


def back_within_headroom(system: System, tuning: Tuning) -> Tuning:
    """The same, but only downwards, and with limiters that fit: the last step of all."""
    if excess_db(system, tuning) > 1e-6:
        tuning = within_headroom(system, tuning)
    return limited(system, tuning)


def _shifted(tuning: Tuning, change_db: float) -> Tuning:
    outputs = tuple(replace(o, gain_db=o.gain_db + change_db) for o in tuning.outputs)
    return replace(tuning, outputs=outputs)


def excess_db(system: System, tuning: Tuning) -> float:
    """By how much the output that is worst off exceeds what it may reach; negative: room left."""
    found = headrooms(tuning)
    if system.processor.limiters:
        return max(item.sine_dbfs for item in found)
    limits = driver_limits(system, tuning)
    reached = reached_dbfs(tuning, limit_grid_hz(tuning))
    return max(
        max(
            item.worst_dbfs - limits[item.output].peak_dbfs,
            float(np.max(reached[item.output] - limits[item.output].level_dbfs)),
        )
        for item in found
    )


def peak_limiter(system: System, output: Output, threshold_dbfs: float) -> Limiter:
    """A limiter that lets no peak pass, as far as the processor has it.

    The attack is the shortest there is. The release lasts several periods of
    the lowest tone, so that the limiter does not bend single waves (common
    practice, no source). The threshold is rounded down, to tenths of a dB at
    the finest.
    """
    knob = system.processor.limiter_threshold_dbfs
    threshold = rounded_to(float(np.floor(10 * threshold_dbfs + 1e-9)) / 10, knob)
    if threshold > threshold_dbfs + 1e-9 and knob.step:
        threshold = rounded_to(threshold - knob.step, knob)
    release = max(RELEASE_PERIODS * 1e3 / output.safe_band_hz[0], QUICKEST_RELEASE_MS)
    return Limiter(
        threshold,
        attack_ms=system.processor.limiter_attack_ms.minimum,
        release_ms=rounded_to(float(np.round(release)), system.processor.limiter_release_ms),
    )


def limited(system: System, tuning: Tuning) -> Tuning:
    """The tuning with a limiter at every output's limit, where there are limiters."""
    if not system.processor.limiters:
        return tuning
    limits = driver_limits(system, tuning)
    reached = reached_dbfs(tuning, limit_grid_hz(tuning))
    outputs = tuple(
        replace(
            o,
            limiter=peak_limiter(
                system, system.output(o.name), limits[o.name].threshold_dbfs(reached[o.name])
            ),
        )
        for o in tuning.outputs
    )
    return replace(tuning, outputs=outputs)


def _db(value: float) -> float:
    return float(20 * np.log10(max(value, 1e-9)))
