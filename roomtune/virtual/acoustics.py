"""From a room to its transfer functions: image sources, and modes for the late bass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from roomtune.virtual.images import BAND_CENTRES_HZ, Radiator, image_responses
from roomtune.virtual.modes import modal_transfer

Floats = NDArray[np.float64]
DURATION_S = 1.0
MODES_TO_HZ = 250.0
IMAGES_FROM_HZ = 400.0
IMAGES_TO_S = 0.02
MODES_FROM_S = 0.06


@dataclass(frozen=True)
class Walls:
    """The bare room. absorption: one row of six surfaces per frequency.

    Surfaces in the order x=0, x=Lx, y=0, y=Ly, z=0, z=Lz; random-incidence
    coefficients, between the frequencies interpolated over log frequency.
    """

    size_m: tuple[float, float, float]
    speed_m_s: float
    frequencies_hz: tuple[float, ...]
    absorption: tuple[tuple[float, ...], ...]

    def absorption_at(self, frequencies_hz: Floats) -> Floats:
        """Absorption coefficients, shape (k, 6), held beyond the ends."""
        place = np.log(np.maximum(frequencies_hz, 1.0))
        table = np.array(self.absorption)
        columns = [np.interp(place, np.log(self.frequencies_hz), column) for column in table.T]
        return np.stack(columns, axis=-1)

    def decay_s(self, frequencies_hz: Floats) -> Floats:
        """Reverberation time by Eyring, 24 ln10 V / (-c S ln(1 - a)), shape (k,)."""
        x, y, z = self.size_m
        areas = np.array([y * z, y * z, x * z, x * z, x * y, x * y])
        mean = self.absorption_at(frequencies_hz) @ areas / areas.sum()
        volume = x * y * z
        decay: Floats = 24 * np.log(10) * volume / (-self.speed_m_s * areas.sum() * np.log1p(-mean))
        return decay


def response_grid_hz(sample_rate_hz: int) -> Floats:
    """Frequencies (k,) of a transfer function: multiples of 1 / DURATION_S to half the rate."""
    import scipy.fft

    samples = round(DURATION_S * sample_rate_hz)
    frequencies: Floats = scipy.fft.rfftfreq(samples, 1 / sample_rate_hz)
    return frequencies


@lru_cache(maxsize=24)
def room_transfer(
    walls: Walls,
    radiators: tuple[Radiator, ...],
    microphones_m: tuple[tuple[float, float, float], ...],
    sample_rate_hz: int,
) -> NDArray[np.complex128]:
    """Transfer functions (radiators, microphones, k) of the room, read-only.

    On the grid of an FFT over DURATION_S: every multiple of 1 Hz. 1 stands for
    the level at one metre on axis in free field; time zero is the emission.
    The sum of images is complete in its early part, the sum of modes in its late
    part: below MODES_TO_HZ (fading up to IMAGES_FROM_HZ) the one takes over from
    the other between IMAGES_TO_S and MODES_FROM_S.
    """
    samples = round(DURATION_S * sample_rate_hz)
    frequencies_hz = response_grid_hz(sample_rate_hz)
    places = np.array([radiator.position_m for radiator in radiators])
    points = np.array(microphones_m)
    low = frequencies_hz <= IMAGES_FROM_HZ
    total = _images(walls, radiators, points, sample_rate_hz, samples, frequencies_hz)
    bass = modal_transfer(
        walls.size_m,
        walls.absorption_at,
        places,
        points,
        frequencies_hz[low],
        samples / sample_rate_hz,
        walls.speed_m_s,
    )
    fall = 1 - _rise(frequencies_hz[low], MODES_TO_HZ, IMAGES_FROM_HZ)
    total[..., low] += _late(fall * (bass - total[..., low]), samples / sample_rate_hz)
    total.flags.writeable = False
    return total


def _late(spectra: NDArray[np.complex128], duration_s: float) -> NDArray[np.complex128]:
    """Keep what comes after the first reflections, and let the end of it fade out.

    spectra: (..., k) from 0 Hz up to where they have come to nothing.
    """
    import scipy.fft

    length = 2 * spectra.shape[-1] - 1
    times_s = np.arange(length) * (duration_s / length)
    start = np.clip((times_s - IMAGES_TO_S) / (MODES_FROM_S - IMAGES_TO_S), 0, 1)
    end = np.clip((times_s / duration_s - 0.7) / 0.3, 0, 1)
    window = (0.5 - 0.5 * np.cos(np.pi * start)) * (0.5 + 0.5 * np.cos(np.pi * end))
    late: NDArray[np.complex128] = scipy.fft.rfft(scipy.fft.irfft(spectra, length) * window)
    return late


def _images(
    walls: Walls,
    radiators: Sequence[Radiator],
    points: Floats,
    sample_rate_hz: int,
    samples: int,
    frequencies_hz: Floats,
) -> NDArray[np.complex128]:
    import scipy.fft

    bands = image_responses(
        walls.size_m,
        walls.absorption_at(np.array(BAND_CENTRES_HZ)),
        radiators,
        points,
        sample_rate_hz,
        samples,
        walls.speed_m_s,
    )
    total = np.zeros((len(radiators), len(points), len(frequencies_hz)), dtype=np.complex128)
    for band, weight in zip(bands, band_weights(frequencies_hz), strict=True):
        used = np.flatnonzero(weight)
        part = slice(used[0], used[-1] + 1)
        total[..., part] += scipy.fft.rfft(band)[..., part] * weight[part]
    return total


def band_weights(frequencies_hz: Floats) -> Floats:
    """Weights (bands, k) of the octave bands of absorption; they sum to one."""
    centres = np.array(BAND_CENTRES_HZ)
    rises = [_rise(frequencies_hz, low, 2 * low) for low in centres[:-1]]
    ones, zeros = np.ones_like(frequencies_hz), np.zeros_like(frequencies_hz)
    weights: Floats = np.array([ones, *rises]) - np.array([*rises, zeros])
    return weights


def _rise(frequencies_hz: Floats, low_hz: float, high_hz: float) -> Floats:
    """Half a cosine over log frequency, from 0 at low_hz to 1 at high_hz."""
    place = np.log(np.maximum(frequencies_hz, 1e-3) / low_hz) / np.log(high_hz / low_hz)
    rise: Floats = 0.5 - 0.5 * np.cos(np.pi * np.clip(place, 0, 1))
    return rise
