"""Harmonic distortion against frequency, from the responses that one sweep gives.

The deconvolution of a synchronized sweep (A. Novak, P. Lotton, L. Simon, JAES
63(10), 786-798, 2015) yields the response of every order: G_n(f) is what a
unit sine at f / n makes of order n at the frequency f. The ratio at the
fundamental f is thus |G_n(n f)| / |G_1(f)| (IEC 60268-21:2018 names it the
equivalent of the nth-order harmonic distortion with a stepped sine).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.onset import energy_density
from roomtune.signal.smoothing import smooth_power_db
from roomtune.signal.values import FrequencyResponse, ImpulseResponse, NoiseSpectrum

FIRST_ORDER = 2


@dataclass(frozen=True, eq=False)
class Distortion:
    """Distortion re the fundamental in dB, on fundamental frequencies_hz (k,).

    harmonics_db (orders, k): order 2, 3 ...; NaN where the order falls outside
    the band that was measured. total_db (k,): power sum of the orders there.
    floor_db (orders, k): what noise alone would show; fundamental_db (k,): the
    response that all is relative to. A harmonic within 3 dB of its floor is
    noise.
    """

    frequencies_hz: NDArray[np.float64]
    harmonics_db: NDArray[np.float64]
    total_db: NDArray[np.float64]
    floor_db: NDArray[np.float64]
    fundamental_db: NDArray[np.float64]

    @property
    def total_percent(self) -> NDArray[np.float64]:
        """Total harmonic distortion in percent of the fundamental, (k,)."""
        return 100 * 10 ** (self.total_db / 20)

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Where a harmonic stands 3 dB or more above its noise floor, (orders, k)."""
        return np.nan_to_num(self.harmonics_db, nan=-np.inf) > self.floor_db + 3


def distortion(
    linear: ImpulseResponse,
    harmonics: Sequence[ImpulseResponse],
    frequencies_hz: ArrayLike,
    band_hz: tuple[float, float],
    noise: NoiseSpectrum | None = None,
    smoothing: float | None = 12.0,
) -> Distortion:
    """Distortion of one response (n,) against fundamental frequencies (k,).

    harmonics[0] is order 2; all at the level played. `band_hz` is the band of
    the sweep: orders are judged where n f lies in it. `noise` is the density
    that noise leaves in the deconvolved responses, unit^2 per Hz; without it
    the later half of each harmonic's response tells (up to its closing fade).
    `smoothing` is the fraction of an octave to smooth over (None: not).
    """
    frequencies = np.asarray(frequencies_hz, dtype=float)
    fundamental = _level_db(linear, frequencies, smoothing)
    ratios, floors = [], []
    for order, response in enumerate(harmonics, start=FIRST_ORDER):
        place = order * frequencies
        judged = (place >= band_hz[0]) & (place <= band_hz[1]) & (frequencies >= band_hz[0])
        level = _level_db(response, place, smoothing)
        ratios.append(np.where(judged, level - fundamental, np.nan))
        floors.append(_floor_db(response, place, noise) - fundamental)
    table = np.array(ratios).reshape(-1, len(frequencies))
    power = np.nansum(10 ** (table / 10), axis=0)
    judged_any = np.any(np.isfinite(table), axis=0)
    total = np.where(judged_any, 10 * np.log10(np.maximum(power, 1e-30)), np.nan)
    floor = np.array(floors).reshape(table.shape)
    return Distortion(frequencies, table, total, floor, fundamental)


def usable_level_dbfs(
    measured: Distortion, level_dbfs: float, limits_db: Sequence[float] = (-30.0, -40.0)
) -> NDArray[np.float64]:
    """Highest level (k,) at which each order stays below its limit, dBFS.

    From one measurement at `level_dbfs`: distortion of order n re the
    fundamental grows by (n - 1) dB per dB, as in a power series (a lower bound
    on what a driver near its limits does). `limits_db` holds the limits of
    order 2, 3 and above (the last one repeats). Infinite where nothing is heard.
    """
    highest = np.full(measured.frequencies_hz.shape, np.inf)
    for place, ratio in enumerate(measured.harmonics_db):
        order = place + FIRST_ORDER
        limit = limits_db[min(place, len(limits_db) - 1)]
        bound = level_dbfs + (limit - ratio) / (order - 1)
        highest = np.where(measured.heard[place], np.minimum(highest, bound), highest)
    return highest


def _level_db(
    response: ImpulseResponse, frequencies: NDArray[np.float64], smoothing: float | None
) -> NDArray[np.float64]:
    if smoothing is None:
        return response.response_at(frequencies).magnitude_db
    whole = response.response()
    level = smooth_power_db(FrequencyResponse(whole.frequencies_hz, whole.values), smoothing)
    return np.interp(frequencies, whole.frequencies_hz, level)


def _floor_db(
    response: ImpulseResponse, frequencies: NDArray[np.float64], noise: NoiseSpectrum | None
) -> NDArray[np.float64]:
    """Level of the noise in a response's spectrum at the given frequencies."""
    rate, count = response.sample_rate_hz, response.samples.shape[-1]
    if noise is not None:
        density = noise.at(frequencies) * rate
    else:
        late = response.samples[int(0.45 * count) : int(0.75 * count)]
        density = energy_density(late, rate, frequencies)
    return 10 * np.log10(np.maximum(density * count, 1e-300))
