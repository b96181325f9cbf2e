"""Taps that follow a wanted level and phase, with what comes before the peak bounded.

The level is made with minimum phase (real cepstrum, see
`roomtune.signal.minimum_phase`); a wanted phase on top of it needs taps before
the peak, `lead` of them, which fade in by a raised cosine.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.minimum_phase import minimum_phase_response, minimum_phase_spectrum

Array = NDArray[np.float64]
OVERSAMPLED, TAIL, FRONT = 8, 4, 2
CYCLES = 4.0


def lowest_hz(taps: int, sample_rate_hz: float) -> float:
    """From where on so many taps resolve a third of an octave: four periods must fit."""
    return CYCLES * sample_rate_hz / taps


def designed_taps(
    frequencies_hz: Array,
    gain_db: Array,
    phase_rad: Array,
    count: int,
    sample_rate_hz: float,
    lead: int = 0,
    reach: int | None = None,
) -> Array:
    """Taps (count,) with the level and the extra phase at the frequencies (k,).

    Between the frequencies both are straight over log frequency; beyond them the
    level is held and the phase is that at the end. The peak stands `lead` taps
    after the first; of these only the last `reach` are used (all without it).
    Raises ValueError for a lead that leaves no tail.
    """
    import scipy.fft

    if not 0 <= lead <= count // 2:
        raise ValueError(f"a lead of {lead} of {count} taps: at most half of them")
    length = scipy.fft.next_fast_len(OVERSAMPLED * max(count, 256), real=True)
    length += length % 2
    grid = np.arange(length // 2 + 1) * sample_rate_hz / length
    place, known = np.log(np.maximum(grid, 1e-3)), np.log(frequencies_hz)
    level = np.interp(place, known, gain_db)
    turn = np.interp(place, known, phase_rad) - 2 * np.pi * grid * lead / sample_rate_hz
    spectrum = minimum_phase_spectrum(10 ** (level / 20)) * np.exp(1j * turn)
    samples = scipy.fft.irfft(spectrum, length)[:count]
    return np.asarray(samples * _window(count, lead, lead if reach is None else reach))


def _window(count: int, lead: int, reach: int) -> Array:
    """1 about the peak; fades in over half of the reach before it, out over the last quarter."""
    window = np.ones(count)
    front, tail = reach // FRONT, count // TAIL
    window[: lead - reach] = 0.0
    if front:
        rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(front) + 0.5) / front)
        window[lead - reach : lead - reach + front] = rise
    if tail:
        window[-tail:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(tail) + 0.5) / tail)
    return window


def excess_phase_rad(frequencies_hz: Array, response: NDArray[np.complex128]) -> Array:
    """Phase (k,) beyond the minimum, in radians, unwrapped from the top, there nearest to 0.

    The grid should reach far beyond the band of interest; beyond it the level goes
    on at the slope it has at the low end and is held at the top.
    """
    magnitude = np.maximum(np.abs(response), 1e-12 * np.abs(response).max())
    slope = np.log(magnitude[1] / magnitude[0]) / np.log(frequencies_hz[1] / frequencies_hz[0])
    least = minimum_phase_response(frequencies_hz, magnitude, (float(slope), 0.0))
    phase = np.unwrap(np.angle(response / least)[::-1])[::-1]
    return np.asarray(phase - np.pi * np.round(phase[-1] / np.pi))


def faded(frequencies_hz: Array, values: Array, low_hz: float, high_hz: float) -> Array:
    """The values (k,) with both ends drawn to 0 over an octave inside the limits."""
    rise = np.clip(np.log2(frequencies_hz / low_hz), 0, 1)
    fall = np.clip(np.log2(high_hz / frequencies_hz) / 0.5, 0, 1)
    weight = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    return np.asarray(values * weight)


def turns_faded(frequencies_hz: Array, phase_rad: Array, low_hz: float, high_hz: float) -> Array:
    """A phase (k,) drawn to a whole number of turns below `low_hz` and to 0 at the top."""
    start = phase_rad[np.searchsorted(frequencies_hz, low_hz).clip(0, len(phase_rad) - 1)]
    turns = 2 * np.pi * np.round(start / (2 * np.pi))
    below = turns * (0.5 + 0.5 * np.cos(np.pi * np.clip(np.log2(frequencies_hz / low_hz), 0, 1)))
    rest = np.where(frequencies_hz < low_hz, turns, phase_rad)
    weight = faded(frequencies_hz, np.ones(len(frequencies_hz)), low_hz, high_hz)
    return np.asarray(below + rest * weight)
