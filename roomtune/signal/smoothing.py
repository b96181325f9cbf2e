"""Fractional-octave smoothing of responses.

A rectangular window on the logarithmic frequency axis, the form that keeps a
symmetric peak symmetric: J. G. Tylka, B. B. Boren, E. Y. Choueiri, "A
Generalized Method for Fractional-Octave Smoothing of Transfer Functions that
Preserves Log-Frequency Symmetry", JAES 65(3), 239-245 (2017).
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.bands import BandPlan, band_plan
from roomtune.signal.values import FrequencyResponse

Fraction = float | Literal["ear"]


def ear_bandwidth_hz(frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Equivalent rectangular bandwidth of hearing, 24.7 (4.37 f / 1 kHz + 1).

    B. R. Glasberg, B. C. J. Moore, Hearing Research 47, 103-138 (1990).
    """
    return 24.7 * (4.37e-3 * np.asarray(frequencies_hz, dtype=float) + 1)


def smoothing_bands_hz(
    frequencies_hz: NDArray[np.float64], fraction: Fraction
) -> NDArray[np.float64]:
    """Limits (k, 2) of the window about each frequency.

    f 2^(-1/2b) to f 2^(1/2b) for a 1/b octave; for "ear" the log-symmetric
    interval about f that is one equivalent rectangular bandwidth wide. Raises ValueError for a
    fraction that is not positive.
    """
    if fraction == "ear":
        with np.errstate(divide="ignore"):
            reach = np.arcsinh(ear_bandwidth_hz(frequencies_hz) / (2 * frequencies_hz))
        factor = np.exp(reach)
    elif fraction > 0:
        factor = np.full(len(frequencies_hz), 2 ** (0.5 / float(fraction)))
    else:
        raise ValueError(f"smoothing fraction must be positive or 'ear', got {fraction}")
    return np.stack([frequencies_hz / factor, frequencies_hz * factor], axis=-1)


def smooth_power_db(response: FrequencyResponse, fraction: Fraction) -> NDArray[np.float64]:
    """Level in dB of the power smoothed over 1/`fraction` octave, shape (..., k).

    The window is cut at the ends of the grid; a value at 0 Hz stays itself.
    """
    square = response.values.real**2 + response.values.imag**2
    power = _smooth(response, square, fraction)
    return 10 * np.log10(np.maximum(power, 1e-300))


def smooth_complex(
    response: FrequencyResponse, fraction: Fraction, reference_s: ArrayLike = 0.0
) -> FrequencyResponse:
    """Return the response smoothed as a complex function of log frequency.

    This acts like a time window about `reference_s` (broadcast over the leading
    axes), narrower in time the higher the frequency; the delay is taken out
    before and put back after.
    """
    centred = response.delayed(-np.asarray(reference_s, dtype=float))
    smoothed = replace(centred, values=_smooth(centred, centred.values, fraction))
    return smoothed.delayed(reference_s)


def _smooth(response: FrequencyResponse, values: NDArray[Any], fraction: Fraction) -> NDArray[Any]:
    frequencies = response.frequencies_hz
    start = int(frequencies[0] <= 0)
    mean = _plan(frequencies, fraction).mean(values)
    return np.concatenate([values[..., :1], mean], axis=-1) if start else mean


def _plan(frequencies_hz: NDArray[np.float64], fraction: Fraction) -> BandPlan:
    """The smoothing plan of a grid, kept for the even grids of FFTs."""
    count, last = len(frequencies_hz), float(frequencies_hz[-1])
    if count > 2 and frequencies_hz[0] == 0:
        even = np.arange(count) * (last / (count - 1))
        if np.max(np.abs(frequencies_hz - even)) < 1e-9 * last:
            return _even_plan(count, last, fraction)
    return _new_plan(frequencies_hz, fraction)


@lru_cache(maxsize=16)
def _even_plan(count: int, last_hz: float, fraction: Fraction) -> BandPlan:
    return _new_plan(np.linspace(0, last_hz, count), fraction)


def _new_plan(frequencies_hz: NDArray[np.float64], fraction: Fraction) -> BandPlan:
    start = int(frequencies_hz[0] <= 0)
    return band_plan(frequencies_hz, smoothing_bands_hz(frequencies_hz[start:], fraction))
