"""The direct sound: its arrival and polarity, free of the driver's own delay.

A driver in its box is, to good accuracy, a minimum-phase system followed by the
time of flight. Fitting both together (see `driver_fit`) gives the time of
flight and the polarity of a tweeter and of a subwoofer alike, where peak or
threshold searches would give the driver's group delay too.

An exponential window makes reflections harmless: it shows a response H(s) as
H(s + a), weakening what comes later without bending what comes first (R. W.
Schafer, "Echo removal by discrete generalized linear filtering", MIT 1969).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.arrival_fit import LEAST_MISFIT, fit_arrival
from roomtune.analysis.driver_fit import (
    POINTS_PER_OCTAVE,
    DriverFit,
    EarlySpectrum,
    fit_driver,
)
from roomtune.analysis.onset import band_envelope, first_peak, tail_density, usable_band_hz
from roomtune.analysis.polarity_fit import likelier
from roomtune.signal.interpolation import interpolate_spectrum
from roomtune.signal.values import ImpulseResponse

_AGREE = 4.0
# beside what the fit says, of a period where the driver falls off: reflections that may hide
# in the last that was fitted, fewer with the periods fitted; drivers that no model follows
_HIDDEN, _UNLIKE = 0.2, 0.03
_ODD = 0.05  # of the shortest period, per deviation of the end's sharpness beyond what is usual
_SURE = 0.95  # of a polarity by the spectrum alone
_NO_DRIVER, _LOST = 0.5, 0.5  # misfit of what is no driver; of a period in the middle of the band


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
    response: ImpulseResponse, band_hz: tuple[float, float] | None = None, finely: bool = False
) -> DirectSounds:
    """Fit the direct sound of every response of an array.

    `finely` refines each time by the waveform before the first reflection (see
    `arrival_fit`), where both agree; it takes some ten times as long.

    `band_hz` is the band that was played; None finds it per response. Raises
    ValueError for a band that does not rise or is narrower than half an octave,
    and for samples that are not finite.
    """
    if band_hz is not None and not 0 < band_hz[0] * 2**0.5 < band_hz[1]:
        raise ValueError(f"no band for an arrival from {band_hz[0]} to {band_hz[1]} Hz")
    if not np.all(np.isfinite(response.samples)):
        raise ValueError("the impulse response holds values that are not finite")
    rows = response.samples.reshape(-1, response.samples.shape[-1])
    table = np.array([_row(row, response.sample_rate_hz, band_hz, finely) for row in rows])
    columns = table.reshape(*response.samples.shape[:-1], 4)
    return DirectSounds(
        columns[..., 0], columns[..., 1], columns[..., 2].astype(int), columns[..., 3]
    )


def direct_sound(
    samples: NDArray[np.float64], sample_rate_hz: float, band_hz: tuple[float, float]
) -> tuple[float, DriverFit] | None:
    """Arrival after the first sample and the fit, of one response (n,).

    None when nothing stands out of the noise. Twice through: the first fit
    tells where the window has to start for the second. Where its spectrum leaves
    the polarity in doubt, the waveform decides (see `polarity_fit`).
    """
    envelope = band_envelope(samples, sample_rate_hz, band_hz)
    if not envelope.max() > 0:
        return None
    lead = _lead_s(band_hz)
    start_s = first_peak(envelope) / sample_rate_hz - lead
    between = (-0.3 * lead, 1.3 * lead)
    found: tuple[float, DriverFit] | None = None
    for _ in range(2):
        spectrum = _early_spectrum(samples, sample_rate_hz, band_hz, start_s)
        fit = fit_driver(spectrum, between)
        if fit is None:
            return None
        found = (start_s + fit.delay_s, fit)
        start_s = found[0] - 1 / (band_hz[1] - band_hz[0])
        between = (found[0] - start_s - 0.5 * lead, found[0] - start_s + 0.5 * lead)
    if found is None or found[1].opposite is None or found[1].confidence > _SURE:
        return found
    time_s, fit = found
    return likelier(samples, sample_rate_hz, band_hz, time_s - fit.delay_s, fit)


def _refined(
    samples: NDArray[np.float64],
    rate: float,
    band_hz: tuple[float, float],
    time_s: float,
    fit: DriverFit,
) -> tuple[float, DriverFit]:
    """The arrival by the waveform before the first reflection, where both times agree.

    Where they do not, or no driver explains the sound, that is what is uncertain.
    """
    better = fit_arrival(samples, rate, band_hz, time_s, fit)
    middle_hz = np.sqrt(band_hz[0] * band_hz[1])
    if better is None:
        lost_s = _LOST / middle_hz if fit.misfit > _NO_DRIVER else 0.0
        return time_s, _doubted(fit, fit.uncertainty_s, lost_s)
    apart_s = abs(better.time_s - time_s)
    if apart_s > _AGREE * fit.uncertainty_s:
        return time_s, _doubted(fit, fit.uncertainty_s, apart_s)
    end_hz = min(band_hz[1], fit.high_hz)
    hidden_s = _HIDDEN * np.exp(-better.until_s * end_hz) / end_hz
    unlike_s = _UNLIKE / end_hz if better.misfit > LEAST_MISFIT else 0.0
    odd_s = _ODD * np.sqrt(max(better.oddity**2 - 1, 0.0)) / band_hz[1]
    open_s = float(np.linalg.norm([hidden_s, unlike_s, odd_s]))
    return better.time_s, _doubted(fit, better.uncertainty_s, open_s)


def _doubted(fit: DriverFit, uncertainty_s: float, more_s: float) -> DriverFit:
    return replace(fit, uncertainty_s=float(np.hypot(uncertainty_s, more_s)))


def _early_spectrum(
    samples: NDArray[np.float64], rate: float, band_hz: tuple[float, float], start_s: float
) -> EarlySpectrum:
    """Spectrum of the samples from `start_s` on, through an exponential window."""
    import scipy.fft

    low, high = band_hz
    width = high - low
    decay_s = max(3.5 / width, 2.5 / (4 * low + 1000.0), 0.5e-3)
    first = max(int((start_s - 1.5 / width) * rate), 0)
    last = min(first + int(10 * decay_s * rate) + 64, len(samples))
    after = np.arange(first, last) / rate - start_s
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(1 + after * width / 1.5, 0, 1))
    window = rise * np.exp(-np.maximum(after, 0) / decay_s)
    length = scipy.fft.next_fast_len(8 * max(last - first, 1024), real=True)
    whole = scipy.fft.rfft(samples[first:last] * window, length)
    count = max(int(POINTS_PER_OCTAVE * (np.log2(high / low) - 0.1)), 8)
    grid = low * 2**0.05 * 2 ** (np.arange(count) / POINTS_PER_OCTAVE)
    lag = start_s * rate - first
    values = interpolate_spectrum(whole, grid * length / rate, lag / length)
    values = values * np.exp(2j * np.pi * grid * lag / rate)
    noise = tail_density(samples, rate, grid) * np.sum(window**2)
    correlated = rate * np.sum(window**4) / np.sum(window**2) ** 2
    return EarlySpectrum(grid, values, noise, decay_s, float(correlated))


def _lead_s(band_hz: tuple[float, float]) -> float:
    """How long before the envelope's peak the sound may have arrived."""
    low, high = band_hz
    return float(1.5 / (high - low) + 0.2 / np.sqrt(low * high))


def _row(
    samples: NDArray[np.float64], rate: float, band_hz: tuple[float, float] | None, finely: bool
) -> tuple[float, float, int, float]:
    nothing = (np.nan, np.inf, 0, 0.0)
    if band_hz is None:
        try:
            band_hz = usable_band_hz(ImpulseResponse(samples, rate))
        except ValueError:
            return nothing
    band_hz = (band_hz[0], min(band_hz[1], 0.49 * rate))
    found = direct_sound(samples, rate, band_hz)
    if found is None:
        return nothing
    time_s, fit = _refined(samples, rate, band_hz, *found) if finely else found
    return time_s, fit.uncertainty_s, fit.sign, fit.confidence
