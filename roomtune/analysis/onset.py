"""The first sound of an impulse response: roughly where, and how far above noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.bands import mean_over_bands
from roomtune.signal.values import ImpulseResponse

_FIRST_SHARE = 0.3
_ABOVE_NOISE = 4.0
_TAIL_SHARE = 3
_LEAST_CYCLES = 4.0


def _band_taper(
    frequencies_hz: NDArray[np.float64], band_hz: tuple[float, float], octaves: float
) -> NDArray[np.float64]:
    """Weight 1 inside a band, falling to 0 within `octaves` inside its edges."""
    place = np.log2(np.maximum(frequencies_hz, 1e-6))
    low, high = np.log2(band_hz)
    octaves = min(octaves, (high - low) / 2)
    inside = np.clip(np.minimum(place - low, high - place) / octaves, 0, 1)
    return 0.5 - 0.5 * np.cos(np.pi * inside)


def band_envelope(
    samples: NDArray[np.float64],
    sample_rate_hz: float,
    band_hz: tuple[float, float],
    taper_octaves: float = 1 / 6,
) -> NDArray[np.float64]:
    """Envelope (..., n) of the samples in a band, without delay (zero phase).

    The longer the taper inside the band's edges, the lower the side lobes.
    """
    import scipy.fft

    count = samples.shape[-1]
    length = scipy.fft.next_fast_len(2 * count)
    frequencies = scipy.fft.rfftfreq(length, 1 / sample_rate_hz)
    spectrum = np.zeros((*samples.shape[:-1], length), dtype=complex)
    half = scipy.fft.rfft(samples, length) * _band_taper(frequencies, band_hz, taper_octaves)
    spectrum[..., : len(frequencies)] = 2 * half
    return np.abs(scipy.fft.ifft(spectrum)[..., :count])


def first_peak(envelope: NDArray[np.float64]) -> int:
    """Index of the first maximum of an envelope (n,) that is clearly sound.

    The first that passes 0.3 of the largest and, where that is possible, four
    times the noise at the end of the response.
    """
    tail = envelope[-max(len(envelope) // _TAIL_SHARE, 1) :]
    noise = float(np.sqrt(np.mean(tail**2)))
    largest = float(envelope.max())
    threshold = min(max(_FIRST_SHARE * largest, _ABOVE_NOISE * noise), largest)
    place = int(np.argmax(envelope >= threshold))
    falls = np.flatnonzero(np.diff(envelope[place:]) < 0)
    return place + int(falls[0]) if len(falls) else len(envelope) - 1


def tail_density(
    samples: NDArray[np.float64],
    sample_rate_hz: float,
    frequencies_hz: NDArray[np.float64],
    within_hz: tuple[float, float] = (0.0, np.inf),
) -> NDArray[np.float64]:
    """Energy density (k,) per sample of the end of a response, as `energy_density` has it.

    What is left there is noise, or reverberation where the response is short:
    either limits what the early sound can tell.
    """
    count = max(samples.shape[-1] // _TAIL_SHARE, 32)
    return energy_density(samples[-count:], sample_rate_hz, frequencies_hz, within_hz)


def energy_density(
    samples: NDArray[np.float64],
    sample_rate_hz: float,
    frequencies_hz: NDArray[np.float64],
    within_hz: tuple[float, float] = (0.0, np.inf),
) -> NDArray[np.float64]:
    """Energy density (k,) per sample of a stretch (n,), smoothed over an octave or more.

    White noise of variance v has the density v. A short stretch tells little of low
    frequencies: four cycles of its length to either side, at least, are looked at together.
    Nothing that is not `within_hz` is: where a band ends, so does its noise.
    """
    import scipy.fft

    window = np.hanning(len(samples))
    length = scipy.fft.next_fast_len(4 * len(window), real=True)
    power = np.abs(scipy.fft.rfft(samples * window, length)) ** 2 / np.sum(window**2)
    grid = scipy.fft.rfftfreq(length, 1 / sample_rate_hz)
    reach = _LEAST_CYCLES * sample_rate_hz / len(samples)
    low = np.minimum(frequencies_hz / 2**0.5, frequencies_hz - reach)
    high = np.maximum(frequencies_hz * 2**0.5, frequencies_hz + reach)
    low, high = np.maximum(low, within_hz[0]), np.minimum(high, within_hz[1])
    edges = np.append(grid - grid[1] / 2, grid[-1] + grid[1] / 2)
    below = np.append(0.0, np.cumsum(power * grid[1]))
    low, high = (np.clip(limit, grid[1] / 2, edges[-1]) for limit in (low, high))
    between = np.interp(high, edges, below) - np.interp(low, edges, below)
    return np.asarray(between / np.maximum(high - low, 1e-300))


def usable_band_hz(
    response: ImpulseResponse, below_maximum_db: float = 20.0, above_noise_db: float = 10.0
) -> tuple[float, float]:
    """Outermost frequencies where the first response of the array stands out.

    A third-octave level must lie within `below_maximum_db` of the largest and
    `above_noise_db` above the end of the response. Raises ValueError when
    nothing does.
    """
    samples = response.samples.reshape(-1, response.samples.shape[-1])[0]
    rate = response.sample_rate_hz
    spectrum = ImpulseResponse(samples, rate).response()
    grid = np.geomspace(max(10.0, 2 * rate / len(samples)), 0.49 * rate, 200)
    bands = np.stack([grid * 2 ** (-1 / 6), grid * 2 ** (1 / 6)], axis=-1)
    power = mean_over_bands(spectrum.frequencies_hz, np.abs(spectrum.values) ** 2, bands)
    noise = tail_density(samples, rate, grid) * len(samples)
    good = power > power.max() * 10 ** (-below_maximum_db / 10)
    good &= power > noise * 10 ** (above_noise_db / 10)
    if np.count_nonzero(good) < 2:
        raise ValueError("the impulse response does not stand out of its noise anywhere")
    return float(grid[good][0]), float(grid[good][-1])
