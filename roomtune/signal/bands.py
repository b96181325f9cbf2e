"""Fractional-octave bands, their names, and the power in them.

IEC 61260-1:2014 clauses 5.2 to 5.7 (octave ratio G = 10^(3/10), reference
frequency 1 kHz); nominal mid frequencies of octaves and thirds after ISO 266.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.decibels import power_db
from roomtune.signal.values import FrequencyResponse, NoiseSpectrum

OCTAVE_RATIO = 10**0.3
REFERENCE_HZ = 1000.0
_THIRD_DIGITS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def band_centres_hz(low_hz: float, high_hz: float, fraction: int = 3) -> NDArray[np.float64]:
    """Exact mid-band frequencies of 1/`fraction`-octave bands within the limits.

    A band belongs to the result when its nominal or exact mid frequency lies
    in [low_hz, high_hz] to within a twentieth of its width, so that "20 Hz to
    20 kHz" gives the 31 bands everybody means (IEC 61260-1 formulas 2, 3).
    Raises ValueError for limits that do not rise or are not positive.
    """
    if not 0 < low_hz <= high_hz or fraction < 1:
        raise ValueError(f"no 1/{fraction} octave bands between {low_hz} and {high_hz} Hz")
    offset = 0.0 if fraction % 2 else 0.5
    places = fraction * np.log([low_hz / REFERENCE_HZ, high_hz / REFERENCE_HZ])
    places = places / np.log(OCTAVE_RATIO) - offset
    numbers = np.arange(np.ceil(places[0] - 0.05), np.floor(places[1] + 0.05) + 1)
    return REFERENCE_HZ * OCTAVE_RATIO ** ((numbers + offset) / fraction)


def third_octave_centres_hz(low_hz: float = 20.0, high_hz: float = 20e3) -> NDArray[np.float64]:
    """Exact mid-band frequencies of the third-octave bands within the limits."""
    return band_centres_hz(low_hz, high_hz, 3)


def octave_centres_hz(low_hz: float = 31.5, high_hz: float = 16e3) -> NDArray[np.float64]:
    """Exact mid-band frequencies of the octave bands within the limits."""
    return band_centres_hz(low_hz, high_hz, 1)


def band_edges_hz(centres_hz: ArrayLike, fraction: float = 3) -> NDArray[np.float64]:
    """Lower and upper band-edge frequencies, shape (..., 2) (formulas 4, 5)."""
    centres = np.asarray(centres_hz, dtype=float)[..., None]
    return centres * OCTAVE_RATIO ** (np.array([-0.5, 0.5]) / fraction)


def nominal_hz(centre_hz: float, fraction: int = 3) -> float:
    """Nominal mid frequency of an exact one: ISO 266 for octaves and thirds.

    Other fractions are rounded to three digits, or to two when the first digit
    is 5 or more (IEC 61260-1 Annex E.3).
    """
    decade = 10 ** np.floor(np.log10(centre_hz) + 1e-9)
    digits = centre_hz / decade
    if fraction in (1, 3):
        choices = np.array([*_THIRD_DIGITS, 10.0])
        return float(choices[np.argmin(np.abs(np.log(choices / digits)))] * decade)
    places = 1 if digits >= 5 else 2
    return float(np.round(digits, places) * decade)


def band_name(centre_hz: float, fraction: int = 3) -> str:
    """Name of a band for people: "31.5 Hz", "1.25 kHz"."""
    nominal = nominal_hz(centre_hz, fraction)
    return f"{nominal / 1e3:.4g} kHz" if nominal >= 1e3 else f"{nominal:.4g} Hz"


def log_frequencies_hz(
    low_hz: float, high_hz: float, points_per_octave: float
) -> NDArray[np.float64]:
    """Frequencies 1000 x 2^(i / points_per_octave) within [low_hz, high_hz].

    Anchored at 1 kHz, so that grids of one density share their points whatever
    their limits. Raises ValueError when no point lies between the limits.
    """
    if not 0 < low_hz <= high_hz or not points_per_octave > 0:
        raise ValueError(f"no frequencies between {low_hz} and {high_hz} Hz")
    places = points_per_octave * np.log2(np.array([low_hz, high_hz]) / REFERENCE_HZ)
    numbers = np.arange(np.ceil(places[0] - 1e-9), np.floor(places[1] + 1e-9) + 1)
    if not len(numbers):
        raise ValueError(f"no frequencies between {low_hz} and {high_hz} Hz")
    return REFERENCE_HZ * 2.0 ** (numbers / points_per_octave)


def cell_edges_hz(frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Edges, shape (k + 1,), of the cells that the k grid frequencies stand for.

    Midway between neighbours; the outer cells are as wide as their inner
    halves. A cell reaching below zero is cut at a millionth of the first step. Raises ValueError
    for fewer than two frequencies.
    """
    if len(frequencies_hz) < 2:
        raise ValueError("a band needs at least two frequencies")
    middle = (frequencies_hz[1:] + frequencies_hz[:-1]) / 2
    first = 2 * frequencies_hz[0] - middle[0]
    last = 2 * frequencies_hz[-1] - middle[-1]
    edges = np.concatenate([[first], middle, [last]])
    edges[0] = max(edges[0], 1e-6 * middle[0])
    return edges


@dataclass(frozen=True, eq=False)
class BandPlan:
    """Where bands lie on a grid, worked out once for many spectra.

    cells (k',): width of every grid cell in ln f, the point at 0 Hz left out;
    lower, upper (b,): the cells in which the band's limits lie; low_rest, high_rest
    (b,): how far into them; share (b,): 1 over the band's width, NaN for a band
    outside the grid.
    """

    first: int
    cells: NDArray[np.float64]
    lower: NDArray[np.int_]
    upper: NDArray[np.int_]
    low_rest: NDArray[np.float64]
    high_rest: NDArray[np.float64]
    share: NDArray[np.float64]

    def mean(self, values: NDArray[Any]) -> NDArray[Any]:
        """Mean of `values` (..., k) over log frequency in each band, (..., b).

        Summed exactly in integers of 2^-62 of the whole, so that bands far below
        the strongest part of a spectrum keep their digits; NaN where a row of values
        is not finite.
        """
        if np.iscomplexobj(values):
            return np.asarray(self.mean(values.real) + 1j * self.mean(values.imag))
        padded = np.asarray(values, dtype=float)
        values = padded[..., self.first :]
        parts = values * self.cells
        whole = np.sum(np.abs(parts), axis=-1, keepdims=True)
        finite = np.isfinite(whole)
        if not np.all(finite):
            return np.where(finite, self.mean(np.where(finite, padded, 0.0)), np.nan)
        digits = np.minimum(62 - np.frexp(whole)[1], 1000)
        parts *= np.ldexp(1.0, digits)
        total = np.zeros((*parts.shape[:-1], parts.shape[-1] + 1), dtype=np.int64)
        np.cumsum(np.rint(parts, out=parts).astype(np.int64), axis=-1, out=total[..., 1:])
        steps = total.take(self.upper, axis=-1)
        steps -= total.take(self.lower, axis=-1)
        gained = steps * np.ldexp(1.0, -digits)
        gained += values.take(self.upper, axis=-1) * self.high_rest
        gained -= values.take(self.lower, axis=-1) * self.low_rest
        gained *= self.share
        return np.asarray(gained)


def band_plan(frequencies_hz: NDArray[np.float64], bands_hz: NDArray[np.float64]) -> BandPlan:
    """Work out how bands (b, 2) lie on a grid (k,); see `mean_over_bands`."""
    first = int(frequencies_hz[0] <= 0)
    edges = np.log(cell_edges_hz(frequencies_hz[first:]))
    limits = np.clip(np.log(bands_hz), edges[0], edges[-1])
    places = np.clip(np.searchsorted(edges, limits, side="right") - 1, 0, len(edges) - 2)
    widths = limits[..., 1] - limits[..., 0]
    share = np.where(widths > 0, 1 / np.where(widths > 0, widths, 1.0), np.nan)
    lower, upper = np.ascontiguousarray(places.T)
    low_rest, high_rest = np.ascontiguousarray((limits - edges[places]).T)
    return BandPlan(first, np.diff(edges), lower, upper, low_rest, high_rest, share)


def mean_over_bands(
    frequencies_hz: NDArray[np.float64], values: NDArray[Any], bands_hz: NDArray[np.float64]
) -> NDArray[Any]:
    """Mean of `values` (..., k) over log frequency in each band (b, 2): (..., b).

    Each value holds over its cell; bands are cut at the ends of the grid. A
    mean over log frequency is what pink noise through a band filter measures.
    A band wholly outside the grid gives NaN; a point at 0 Hz is left out.
    """
    return band_plan(frequencies_hz, bands_hz).mean(values)


def band_levels_db(
    response: FrequencyResponse, centres_hz: ArrayLike, fraction: float = 3
) -> NDArray[np.float64]:
    """Level of the mean power in each fractional-octave band, shape (..., bands).

    The mean runs over log frequency (pink excitation); NaN for a band outside
    the grid.
    """
    power = np.abs(response.values) ** 2
    edges = band_edges_hz(np.atleast_1d(np.asarray(centres_hz, dtype=float)), fraction)
    return power_db_or_nan(mean_over_bands(response.frequencies_hz, power, edges))


def noise_band_levels_db(
    noise: NoiseSpectrum, centres_hz: ArrayLike, fraction: float = 3
) -> NDArray[np.float64]:
    """Level of the noise power inside each band, dB re unit^2, shape (..., bands).

    Integral of the density over both signs of frequency; NaN outside the grid.
    """
    edges = band_edges_hz(np.atleast_1d(np.asarray(centres_hz, dtype=float)), fraction)
    frequencies = noise.frequencies_hz
    per_octave = noise.density * np.maximum(frequencies, 0.0)
    log_width = np.log(edges[:, 1] / edges[:, 0])
    return power_db_or_nan(2 * mean_over_bands(frequencies, per_octave, edges) * log_width)


def power_db_or_nan(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level of a power, with NaN kept."""
    return np.where(np.isnan(power), np.nan, power_db(np.nan_to_num(power)))
