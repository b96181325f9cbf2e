"""The direct sound: its arrival and polarity, by its excess over minimum phase.

A driver in its box is, to good accuracy, a minimum-phase system followed by the
time of flight. So the direct sound's spectrum divided by the minimum-phase
response of the same magnitude is a pure delay, whose impulse stands at the
arrival with the sign of the polarity, for a tweeter as for a subwoofer.

An exponential window makes reflections harmless: it takes a response H(s) to
H(s + a), which keeps a minimum-phase system minimum phase and, by weakening
what comes later, turns a direct sound with strong reflections into one (R. W.
Schafer, "Echo removal by discrete generalized linear filtering", MIT 1969).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.onset import (
    band_envelope,
    band_taper,
    first_peak,
    tail_density,
    usable_band_hz,
)
from roomtune.signal.bands import mean_over_bands
from roomtune.signal.interpolation import interpolate_spectrum
from roomtune.signal.minimum_phase import minimum_phase_on_log_grid
from roomtune.signal.values import ImpulseResponse

POINTS_PER_OCTAVE = 64
_STEP = np.log(2) / POINTS_PER_OCTAVE
_EXTRA = 7 * POINTS_PER_OCTAVE
_STEEPEST = 4.0


@dataclass(frozen=True)
class DirectSound:
    """Arrival after the first sample, its standard uncertainty, and polarity.

    `correlation` is how well the direct sound agrees with minimum phase and a
    pure delay (1: wholly); `opposite` is the best agreement of the other
    polarity; `noise` the standard deviation that noise gives to either.
    """

    time_s: float
    uncertainty_s: float
    sign: int
    correlation: float
    opposite: float
    noise: float

    @property
    def confidence(self) -> float:
        """How surely the polarity is right, 0 to 1.

        Twice the normal probability that the peak exceeds the opposite one,
        less one; a correlation far below 1 lowers it.
        """
        from math import erf

        doubt = np.hypot(np.sqrt(2) * self.noise, 0.1)
        return float(erf(max(self.correlation - self.opposite, 0) / doubt / np.sqrt(2)))


@dataclass(frozen=True, eq=False)
class DirectSounds:
    """Fits of an array of responses: every field has the leading shape.

    time_s after the first sample (NaN where nothing stands out), uncertainty_s,
    sign (0 there) and confidence of the polarity.
    """

    time_s: NDArray[np.float64]
    uncertainty_s: NDArray[np.float64]
    sign: NDArray[np.int_]
    confidence: NDArray[np.float64]


def direct_sounds(
    response: ImpulseResponse, band_hz: tuple[float, float] | None = None
) -> DirectSounds:
    """Fit the direct sound of every response of an array.

    Raises ValueError for a band that does not rise or reaches beyond half the
    sample rate.
    """
    if band_hz is not None and not 0 < band_hz[0] < band_hz[1]:
        raise ValueError(f"no band from {band_hz[0]} to {band_hz[1]} Hz")
    rows = response.samples.reshape(-1, response.samples.shape[-1])
    table = np.array([_row(row, response.sample_rate_hz, band_hz) for row in rows])
    columns = table.reshape(*response.samples.shape[:-1], 4)
    return DirectSounds(
        columns[..., 0], columns[..., 1], columns[..., 2].astype(int), columns[..., 3]
    )


def _row(
    samples: NDArray[np.float64], rate: float, band_hz: tuple[float, float] | None
) -> tuple[float, float, int, float]:
    nothing = (np.nan, np.inf, 0, 0.0)
    if band_hz is None:
        try:
            band_hz = usable_band_hz(ImpulseResponse(samples, rate))
        except ValueError:
            return nothing
    found = direct_sound(samples, rate, (band_hz[0], min(band_hz[1], 0.49 * rate)))
    if found is None:
        return nothing
    return found.time_s, found.uncertainty_s, found.sign, found.confidence


@dataclass(frozen=True)
class _Spectrum:
    """Windowed direct sound on an even log grid, phase about `zero_s`."""

    frequencies_hz: NDArray[np.float64]
    values: NDArray[np.complex128]
    noise: NDArray[np.float64]
    zero_s: float
    correlated_hz: float


def direct_sound(
    samples: NDArray[np.float64], sample_rate_hz: float, band_hz: tuple[float, float]
) -> DirectSound | None:
    """Fit the direct sound of one response (n,); None when none stands out."""
    envelope = band_envelope(samples, sample_rate_hz, band_hz)
    if not envelope.max() > 0:
        return None
    start_s = first_peak(envelope) / sample_rate_hz - _lead_s(band_hz)
    found = None
    for _ in range(2):
        spectrum = _early_spectrum(samples, sample_rate_hz, band_hz, start_s)
        spectrum = _where_it_stands_out(spectrum)
        if spectrum is None:
            break
        found = _fit(spectrum)
        start_s = found.time_s - 1 / (band_hz[1] - band_hz[0])
    return found


def _lead_s(band_hz: tuple[float, float]) -> float:
    """How long before the envelope's peak the sound may have arrived."""
    low, high = band_hz
    return 1.5 / (high - low) + 0.2 / np.sqrt(low * high)


def _early_spectrum(
    samples: NDArray[np.float64], rate: float, band_hz: tuple[float, float], start_s: float
) -> _Spectrum:
    """Spectrum of the samples from `start_s` on, through an exponential window."""
    import scipy.fft

    low, high = band_hz
    width = high - low
    constant = max(2.5 / min(width, 4 * low + 1000.0), 0.5e-3)
    first = max(int((start_s - 1.5 / width) * rate), 0)
    last = min(first + int(10 * constant * rate) + 64, len(samples))
    after = np.arange(first, last) / rate - start_s
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(1 + after * width / 1.5, 0, 1))
    window = rise * np.exp(-np.maximum(after, 0) / constant)
    length = scipy.fft.next_fast_len(8 * max(last - first, 1024), real=True)
    whole = scipy.fft.rfft(samples[first:last] * window, length)
    count = int(np.floor(np.log(high / low) / _STEP - 0.1 * POINTS_PER_OCTAVE))
    grid = low * 2**0.05 * np.exp(_STEP * np.arange(max(count, 8)))
    lag = start_s * rate - first
    values = interpolate_spectrum(whole, grid * length / rate, lag / length)
    values = values * np.exp(2j * np.pi * grid * lag / rate)
    noise = tail_density(samples, rate, grid) * np.sum(window**2)
    correlated = rate * np.sum(window**4) / np.sum(window**2) ** 2
    return _Spectrum(grid, values, noise, start_s, float(correlated))


def _smoothed(values: NDArray[np.float64], octaves: float) -> NDArray[np.float64]:
    """Mean over `octaves` on the log grid (at least one point)."""
    reach = np.exp(np.log(2) * max(octaves, 1e-3) / 2)
    grid = np.exp(_STEP * np.arange(len(values)))
    return mean_over_bands(grid, values, np.stack([grid / reach, grid * reach], axis=-1))


def _where_it_stands_out(spectrum: _Spectrum) -> _Spectrum | None:
    """The part of the band where third-octave levels stand above the noise."""
    ratio = _smoothed(np.abs(spectrum.values) ** 2, 1 / 3) / np.maximum(spectrum.noise, 1e-300)
    good = np.flatnonzero(ratio > np.clip(ratio.max() / 10, 4.0, 30.0))
    if not len(good) or good[-1] - good[0] < 8:
        return None
    part = slice(good[0], good[-1] + 1)
    return _Spectrum(
        spectrum.frequencies_hz[part],
        spectrum.values[part],
        spectrum.noise[part],
        spectrum.zero_s,
        spectrum.correlated_hz,
    )


def _fit(spectrum: _Spectrum) -> DirectSound:
    """Find the delay whose excess impulse is largest, and how sure that is."""
    frequencies = spectrum.frequencies_hz
    power = np.abs(spectrum.values) ** 2
    ratio = power.mean() / max(float(spectrum.noise.mean()), 1e-300)
    octaves = float(np.clip(1.0 * (10 / ratio) ** 0.7, 1 / POINTS_PER_OCTAVE, 1.0))
    smooth = _smoothed(power, octaves)
    level = 0.5 * np.log(np.maximum(smooth - spectrum.noise, 0.1 * smooth))
    above = np.exp(2 * level) / np.maximum(spectrum.noise, 1e-300)
    band = (frequencies[0], frequencies[-1])
    weight = frequencies * band_taper(frequencies, band, 0.5) * above / (1 + above / 30)
    weight /= weight.sum()
    noise = weight * np.sqrt(1 / np.maximum(above, 1e-30))
    found = [_excess_peak(spectrum, level, weight, asymptotic) for asymptotic in (True, False)]
    time_s, sign, peak, opposite = found[0]
    together = np.maximum(1, spectrum.correlated_hz / (frequencies * _STEP))
    turn = 2 * np.pi * frequencies
    random = np.sqrt(np.sum(together * (noise * turn) ** 2)) / np.sum(weight * turn**2)
    systematic = found[1][0] - time_s if found[1][1] == sign else 0.0
    return DirectSound(
        spectrum.zero_s + time_s,
        float(np.hypot(random, systematic / 2)),
        sign,
        peak,
        opposite,
        float(np.sqrt(np.sum(together * noise**2) / 2)),
    )


def _excess_peak(
    spectrum: _Spectrum,
    level: NDArray[np.float64],
    weight: NDArray[np.float64],
    asymptotic: bool,
) -> tuple[float, int, float, float]:
    """Time, sign and height of the excess impulse's peak, and the opposite peak."""
    frequencies = spectrum.frequencies_hz
    below, above = (_beyond(side, asymptotic) for side in (level[::-1], level))
    whole = np.concatenate([below[::-1], level, above])
    phase = minimum_phase_on_log_grid(whole, _STEP)[_EXTRA:-_EXTRA]
    excess = weight * spectrum.values * np.exp(-level - 1j * phase)
    middle = np.sqrt(frequencies[0] * frequencies[-1])
    delays = np.arange(-0.5 / middle, 0.8 / middle, 1 / (32 * frequencies[-1]))
    wave = np.real(np.exp(2j * np.pi * delays[:, None] * frequencies) @ excess)
    place = int(np.argmax(np.abs(wave)))
    sign = 1 if wave[place] > 0 else -1
    opposite = float(np.max(-sign * wave))
    inner = min(max(place, 1), len(wave) - 2)
    left, top, right = sign * wave[inner - 1 : inner + 2]
    bend = left - 2 * top + right
    shift = (left - right) / bend / 2 if bend < 0 else 0.0
    time_s = delays[inner] + float(np.clip(shift, -1, 1)) * (delays[1] - delays[0])
    return float(time_s), sign, float(abs(wave[place])), max(opposite, 0.0)


def _beyond(level: NDArray[np.float64], asymptotic: bool) -> NDArray[np.float64]:
    """How a level in nepers goes on beyond its end, shape (_EXTRA,).

    Straight on with the slope of its last octave or, if `asymptotic`, like the
    skirt of a Butterworth filter of the slope and curvature found there. A
    level that rises or hardly falls is held.
    """
    count = min(POINTS_PER_OCTAVE, len(level))
    inside = _STEP * np.arange(1 - count, 1)
    curve, slope, end = np.polyfit(inside, level[-count:], 2)
    straight, straight_end = np.polyfit(inside, level[-count:], 1)
    outside = _STEP * np.arange(1, _EXTRA + 1)
    if straight > -0.05:
        return np.full(_EXTRA, level[-1])
    if not asymptotic or slope > -0.05:
        return straight_end + max(straight, -_STEEPEST) * outside
    order = float(np.clip(-slope + max(-curve, 0.0) / -slope, -slope, max(_STEEPEST, -slope)))
    share = min(-slope / order, 1 - 1e-9)
    ratio = share / (1 - share)
    skirt = np.logaddexp(0.0, np.log(ratio) + 2 * order * outside)
    return end - 0.5 * (skirt - np.log1p(ratio))
