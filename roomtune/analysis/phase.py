"""Phase, group delay, and what goes beyond minimum phase."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.bands import log_frequencies_hz
from roomtune.signal.minimum_phase import minimum_phase_on_log_grid
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.signal.windows import frequency_dependent_window

POINTS_PER_OCTAVE = 48
_STEEPEST = 8.0


def group_delay_of_s(response: FrequencyResponse) -> NDArray[np.float64]:
    """Group delay (..., k) in seconds of a response known at frequencies, -d phase / d w.

    Differences of second order of the phase unwrapped over the grid, which has
    to be fine enough for the phase to turn by less than half a circle per step:
    take the arrival out first. With 48 points per octave the peak of a resonance
    of quality 5 comes out within 1 %.
    """
    phase = np.unwrap(np.angle(response.values), axis=-1)
    return -np.gradient(phase, 2 * np.pi * response.frequencies_hz, axis=-1)


def minimum_phase_part(
    response: FrequencyResponse, points_per_octave: float = POINTS_PER_OCTAVE
) -> FrequencyResponse:
    """Return the minimum-phase response (..., k) of the same magnitude.

    The grid must be even in log frequency. Beyond its ends the level goes on
    with the slope of the outermost octave, for six octaves.
    """
    step = np.log(2) / points_per_octave
    level = np.log(np.maximum(np.abs(response.values), 1e-300))
    extra = int(6 * points_per_octave)
    before = _skirt(level[..., ::-1], step, extra)[..., ::-1]
    whole = np.concatenate([before, level, _skirt(level, step, extra)], axis=-1)
    phase = minimum_phase_on_log_grid(whole, step)[..., extra:-extra]
    return replace(response, values=np.exp(level + 1j * phase))


def seen_from_arrival(
    response: ImpulseResponse,
    band_hz: tuple[float, float],
    arrival_s: ArrayLike,
    cycles: float = 12.0,
) -> FrequencyResponse:
    """Responses (..., k) through a window of constant cycles, arrivals taken out.

    On a grid of POINTS_PER_OCTAVE points per octave over the band.
    """
    frequencies = log_frequencies_hz(*band_hz, POINTS_PER_OCTAVE)
    seen = frequency_dependent_window(response, frequencies, cycles, arrival_s)
    return seen.delayed(-np.broadcast_to(arrival_s, response.samples.shape[:-1]))


def excess_of(seen: FrequencyResponse) -> FrequencyResponse:
    """All-pass part (..., k) of responses on a grid even in log frequency: unit magnitude.

    A value of 1 (or of slowly changing phase) means minimum phase; phase that turns
    quickly means sound that is not.
    """
    lowest = minimum_phase_part(seen)
    return replace(seen, values=np.exp(1j * np.angle(seen.values / lowest.values)))


def step_response(response: ImpulseResponse) -> ImpulseResponse:
    """Return the running integral of the impulse response: the answer to a step."""
    return replace(response, samples=np.cumsum(response.samples, axis=-1))


def energy_time_curve_db(response: ImpulseResponse) -> NDArray[np.float64]:
    """Level in dB re the maximum of the squared analytic signal's magnitude, (..., n).

    R. C. Heyser, JAES 19, 829-834 (1971).
    """
    import scipy.signal

    envelope = np.abs(scipy.signal.hilbert(response.samples, axis=-1))
    largest = envelope.max(axis=-1, keepdims=True)
    return 20 * np.log10(np.maximum(envelope / np.maximum(largest, 1e-300), 1e-15))


def _skirt(level: NDArray[np.float64], step: float, extra: int) -> NDArray[np.float64]:
    """Continuation (..., extra) of a level in nepers with its last octave's slope."""
    count = min(round(np.log(2) / step), level.shape[-1])
    place = step * (np.arange(count) - (count - 1) / 2)
    last = level[..., -count:]
    slope = (last @ place / np.sum(place**2))[..., None]
    slope = np.clip(slope, -_STEEPEST, 0.0)
    return level[..., -1:] + slope * step * np.arange(1, extra + 1)
