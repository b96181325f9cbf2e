"""Decay and energy measures of ISO 3382-1:2009 and ISO 3382-2:2008.

The decay curve is the backward integral of the squared response (M. R.
Schroeder, J. Acoust. Soc. Am. 37, 409-412, 1965), with the mean noise power
taken off, cut where the decay meets the noise, and completed by the energy
that the late decay would still have had (method E of M. Guski, M. Vorlaender,
"Comparison of Noise Compensation Methods for Room Acoustic Impulse Response
Evaluations", Acta Acustica united with Acustica 100, 320-327, 2014).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.decay_range import DecayRange, decay_range
from roomtune.signal.band_filters import band_filter_delay_s, band_filtered
from roomtune.signal.bands import band_edges_hz, octave_centres_hz
from roomtune.signal.values import ImpulseResponse

EARLY_LIMITS_S = (0.05, 0.08)
_RANGES_DB = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
_NEEDED_DB = {"edt_s": 25.0, "t20_s": 35.0, "t30_s": 45.0}
_AVERAGED_DECAYS = 10
_LEAST_CYCLES = 4.0


@dataclass(frozen=True, eq=False)
class Decay:
    """Decay measures, every array of shape (..., bands).

    edt_s, t20_s, t30_s: reverberation times (ISO 3382-1 A.2.2, 5.3.3), NaN
    where the curve does not reach down far enough; *_uncertainty_s: standard
    uncertainty from the randomness of the decay (ISO 3382-2 section 7);
    c50_db, c80_db, d50, centre_time_s: clarity, definition, centre time (A.10
    to A.13); range_db: start of the decay over the noise; curvature_percent:
    100 (T30 / T20 - 1), suspicious beyond 10 (ISO 3382-2 Annex B);
    bandwidth_time: bandwidth times T20 (or EDT), to be above 4 for filters
    run backwards in time.
    """

    centres_hz: NDArray[np.float64]
    edt_s: NDArray[np.float64]
    t20_s: NDArray[np.float64]
    t30_s: NDArray[np.float64]
    t20_uncertainty_s: NDArray[np.float64]
    t30_uncertainty_s: NDArray[np.float64]
    c50_db: NDArray[np.float64]
    c80_db: NDArray[np.float64]
    d50: NDArray[np.float64]
    centre_time_s: NDArray[np.float64]
    range_db: NDArray[np.float64]
    curvature_percent: NDArray[np.float64]
    bandwidth_time: NDArray[np.float64]

    def valid(self, measure: str) -> NDArray[np.bool_]:
        """Whether "edt_s", "t20_s" or "t30_s" may be stated, shape (..., bands).

        The decay must start at least 25, 35 or 45 dB above the noise (ISO
        3382-1 5.3.3), and be longer than that of the filter itself.
        """
        value = getattr(self, measure)
        enough = self.range_db >= _NEEDED_DB[measure]
        return np.isfinite(value) & enough & (self.bandwidth_time > _LEAST_CYCLES)


@dataclass(frozen=True, eq=False)
class DecayCurve:
    """Backward-integrated level (n,) in dB re the whole energy, and its range."""

    level_db: NDArray[np.float64]
    energy: NDArray[np.float64]
    beyond: float
    found: DecayRange | None


def decay(
    response: ImpulseResponse,
    arrival_s: ArrayLike | None = None,
    centres_hz: ArrayLike | None = None,
    fraction: int = 1,
) -> Decay:
    """Decay measures per fractional-octave band, vectorised over leading axes.

    `arrival_s` (broadcast over the leading axes) is where time zero lies; None
    takes the ISO 3382-1 A.3.1 rule: where the broadband response first comes
    within 20 dB of its maximum. The mean delay of each filter is allowed for.
    Bands default to the octaves 63 Hz to 8 kHz.
    """
    centres = octave_centres_hz(63, 8e3) if centres_hz is None else np.atleast_1d(centres_hz)
    leading = response.samples.shape[:-1]
    starts = _start_samples(response, arrival_s)
    filtered = band_filtered(_padded(response), centres, fraction, reverse=True).samples
    rate = response.sample_rate_hz
    edges = band_edges_hz(centres, fraction)
    early = [int(band_filter_delay_s(c, rate, fraction) * rate) for c in centres]
    starts = starts + filtered.shape[-1] - response.samples.shape[-1]
    rows = filtered.reshape(-1, len(edges), filtered.shape[-1])
    table = [
        _measures(band, start - before, rate, high - low)
        for row, start in zip(rows, starts.ravel(), strict=True)
        for band, (low, high), before in zip(row, edges, early, strict=True)
    ]
    columns = np.array(table).reshape(*leading, len(centres), len(fields(Decay)) - 1)
    return Decay(np.asarray(centres, dtype=float), *np.moveaxis(columns, -1, 0))


def decay_curve(energy: NDArray[np.float64], sample_rate_hz: float) -> DecayCurve:
    """Noise-compensated backward integral of a squared response from its arrival on."""
    found = decay_range(energy, sample_rate_hz)
    if found is None:
        kept, beyond = energy, 0.0
    else:
        kept = energy[: found.crossing] - found.noise
        per_sample = -found.rate_db * np.log(10) / 10
        beyond = found.noise / per_sample if found.crossing < len(energy) else 0.0
    integral = np.cumsum(kept[::-1])[::-1] + beyond
    level = 10 * np.log10(np.maximum(integral, 1e-300) / max(integral[0], 1e-300))
    return DecayCurve(level, kept, beyond, found)


def reverberation_time_s(
    level_db: NDArray[np.float64], sample_rate_hz: float, upper_db: float, lower_db: float
) -> float:
    """Time for 60 dB of the straight line fitted between two levels of a curve.

    NaN when the curve does not reach the lower level.
    """
    first = int(np.argmax(level_db <= upper_db))
    last = int(np.argmax(level_db <= lower_db))
    if level_db[last] > lower_db or last - first < 2:
        return np.nan
    slope = np.polyfit(np.arange(first, last + 1) / sample_rate_hz, level_db[first : last + 1], 1)[
        0
    ]
    return float(-60 / slope)


def clarity_db(energy: NDArray[np.float64], beyond: float, sample: float) -> float:
    """Energy before over energy from a (fractional) sample on, in dB (A.10)."""
    whole = int(np.floor(sample))
    if whole >= len(energy):
        return np.inf
    early = float(np.sum(energy[:whole])) + (sample - whole) * float(energy[whole])
    late = float(np.sum(energy)) + beyond - early
    return float(10 * np.log10(max(early, 1e-300) / max(late, 1e-300)))


def _start_samples(response: ImpulseResponse, arrival_s: ArrayLike | None) -> NDArray[np.int_]:
    leading, count = response.samples.shape[:-1], response.samples.shape[-1]
    if arrival_s is None:
        square = response.samples**2
        return np.argmax(square >= 0.01 * square.max(axis=-1, keepdims=True), axis=-1)
    times = np.broadcast_to(np.asarray(arrival_s, dtype=float), leading)
    places = np.round((times - response.start_s) * response.sample_rate_hz)
    return np.clip(places, 0, count - 1).astype(int)


def _padded(response: ImpulseResponse) -> ImpulseResponse:
    """The response with 100 ms of silence before it, for filters run backwards."""
    before = int(0.1 * response.sample_rate_hz)
    padding = [(0, 0)] * (response.samples.ndim - 1) + [(before, 0)]
    return ImpulseResponse(np.pad(response.samples, padding), response.sample_rate_hz)


def _measures(
    samples: NDArray[np.float64], start: int, rate: float, width_hz: float
) -> tuple[float, ...]:
    """All measures of one band: time zero at `start`, what came before it is early."""
    square = samples**2
    curve = decay_curve(square[start:], rate)
    noise = curve.found.noise if curve.found else 0.0
    ringing = float(np.sum(square[:start] - noise)) if start else 0.0
    energy = curve.energy.copy()
    energy[0] += max(ringing, 0.0)
    times = {
        name: reverberation_time_s(curve.level_db, rate, *limits)
        for name, limits in _RANGES_DB.items()
    }
    t20, t30 = times["t20_s"], times["t30_s"]
    total = float(np.sum(energy)) + curve.beyond
    c50, c80 = (clarity_db(energy, curve.beyond, limit * rate) for limit in EARLY_LIMITS_S)
    after = curve.beyond * (len(energy) / rate + _tail_mean_s(curve.found, rate))
    centre = (float(np.sum(energy * np.arange(len(energy)))) / rate + after) / max(total, 1e-300)
    range_db = curve.found.range_db if curve.found else 0.0
    reference = t20 if np.isfinite(t20) else times["edt_s"]
    return (
        times["edt_s"],
        t20,
        t30,
        _random_uncertainty_s(t20, width_hz, 0.88, 1.90),
        _random_uncertainty_s(t30, width_hz, 0.55, 1.52),
        c50,
        c80,
        1 / (1 + 10 ** (-c50 / 10)),
        centre,
        range_db,
        100 * (t30 / t20 - 1),
        width_hz * reference,
    )


def _tail_mean_s(found: DecayRange | None, rate: float) -> float:
    """Mean time after the cut of the energy that an exponential still has."""
    return 10 / np.log(10) / -found.rate_db / rate if found else 0.0


def _random_uncertainty_s(time_s: float, width_hz: float, factor: float, add: float) -> float:
    """Standard deviation of a reverberation time, ISO 3382-2:2008 section 7.

    For one integrated response, which counts as the mean of ten decays.
    """
    return float(factor * time_s * np.sqrt((1 + add / _AVERAGED_DECAYS) / (width_hz * time_s)))
