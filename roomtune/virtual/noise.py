"""Noise of the room, of the microphone and of the mains."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.virtual.drivers import REFERENCE_PRESSURE_PA
from roomtune.virtual.scenario import Noise

Floats = NDArray[np.float64]
LOWEST_HZ, HIGHEST_HZ = 20.0, 20000.0


def room_noise_pa(
    noise: Noise, samples: int, sample_rate_hz: float, generator: np.random.Generator
) -> Floats:
    """Room noise, density falling as 1/f, plus white self-noise, in Pa, shape (samples,)."""
    import scipy.fft

    length = scipy.fft.next_fast_len(samples, real=True)
    frequencies_hz = scipy.fft.rfftfreq(length, 1 / sample_rate_hz)
    spectrum = scipy.fft.rfft(generator.standard_normal(length))
    density = noise_density_pa2(noise, frequencies_hz)
    noisy: Floats = scipy.fft.irfft(spectrum * np.sqrt(density * sample_rate_hz), length)[:samples]
    return noisy


def noise_density_pa2(noise: Noise, frequencies_hz: Floats) -> Floats:
    """Two-sided density in Pa^2/Hz of room noise and self-noise; hum is apart."""
    held = np.clip(frequencies_hz, LOWEST_HZ, HIGHEST_HZ)
    pink = _mean_square_pa2(noise.room_level_db) / (2 * held * np.log(HIGHEST_HZ / LOWEST_HZ))
    white = _mean_square_pa2(noise.self_noise_db) / (2 * (HIGHEST_HZ - LOWEST_HZ))
    density: Floats = pink + white
    return density


def hum(
    noise: Noise, samples: int, sample_rate_hz: float, generator: np.random.Generator
) -> Floats:
    """Mains hum re full scale, shape (samples,); its phase is drawn anew for each call."""
    circling = np.exp(2j * np.pi * noise.mains_hz / sample_rate_hz * np.arange(samples))
    total = np.zeros(samples, dtype=np.complex128)
    for level_dbfs in reversed(noise.hum_dbfs):  # Horner: sum of levels times circling^harmonic
        total += 10 ** (level_dbfs / 20) * np.exp(2j * np.pi * generator.random())
        total *= circling
    return total.imag


def _mean_square_pa2(level_db: float) -> float:
    return float(REFERENCE_PRESSURE_PA**2 * 10 ** (level_db / 10))
