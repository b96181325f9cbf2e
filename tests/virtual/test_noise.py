"""Noise and hum have the levels that room.toml gives."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.virtual.noise import hum, noise_density_pa2, room_noise_pa
from roomtune.virtual.scenario import Noise

RATE = 48000.0


def level_db(pressure_pa: np.ndarray) -> float:
    return float(10 * np.log10((pressure_pa**2).mean() / 20e-6**2))


def band_level_db(signal: np.ndarray, low_hz: float, high_hz: float) -> float:
    spectrum = np.fft.rfft(signal)
    frequencies = np.fft.rfftfreq(len(signal), 1 / RATE)
    spectrum[(frequencies < low_hz) | (frequencies >= high_hz)] = 0
    return level_db(np.fft.irfft(spectrum, len(signal)))


def test_room_noise_has_its_level_and_falls_with_frequency() -> None:
    noise = Noise(room_level_db=40.0, self_noise_db=-40.0)
    signal = room_noise_pa(noise, 960000, RATE, np.random.default_rng(1))
    assert band_level_db(signal, 20, 20000) == pytest.approx(40.0, abs=0.2)
    octaves = [band_level_db(signal, low, 2 * low) for low in (125, 500, 2000, 8000)]
    np.testing.assert_allclose(octaves, 40 + 10 * np.log10(np.log(2) / np.log(1000)), atol=0.3)


def test_self_noise_is_white() -> None:
    noise = Noise(room_level_db=-40.0, self_noise_db=30.0)
    signal = room_noise_pa(noise, 480000, RATE, np.random.default_rng(1))
    assert band_level_db(signal, 20, 20000) == pytest.approx(30.0, abs=0.1)
    rise = band_level_db(signal, 8000, 16000) - band_level_db(signal, 1000, 2000)
    assert rise == pytest.approx(9.03, abs=0.3)


def test_density_is_that_of_the_signal() -> None:
    """Two-sided, as the noise spectra of takes are."""
    noise = Noise(room_level_db=40.0, self_noise_db=30.0)
    frequencies = np.linspace(400, 420, 100)
    power = 2 * noise_density_pa2(noise, frequencies).mean() * 20
    signal = room_noise_pa(noise, 2880000, RATE, np.random.default_rng(4))
    assert band_level_db(signal, 400, 420) == pytest.approx(
        10 * np.log10(power / 20e-6**2), abs=0.3
    )


def test_hum_stands_at_the_mains_frequency_and_its_multiples() -> None:
    noise = Noise(mains_hz=60.0, hum_dbfs=(-80.0, -90.0))
    signal = hum(noise, 48000, RATE, np.random.default_rng(2))
    amplitude = 2 * np.abs(np.fft.rfft(signal)) / 48000
    np.testing.assert_allclose(20 * np.log10(amplitude[[60, 120]]), [-80, -90], atol=1e-6)
    amplitude[[60, 120]] = 0
    assert amplitude.max() < 1e-12
