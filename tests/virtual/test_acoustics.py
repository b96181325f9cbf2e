"""Modes and images together: direct sound, causality, decay, absorption by band."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.virtual.acoustics import Walls, band_weights, room_transfer
from roomtune.virtual.images import Radiator
from roomtune.virtual.modes import mode_damping, mode_frequencies_hz

RATE = 48000
SIZE = (5.6, 4.3, 2.5)


def uniform(size: tuple[float, float, float], *values: float) -> Walls:
    """Walls of one material, its absorption given at 63, 250, 1000 ... Hz."""
    frequencies = tuple(63.0 * 4**place for place in range(len(values)))
    return Walls(size, 343.2, frequencies, tuple((value,) * 6 for value in values))


def test_weights_of_the_bands_sum_to_one() -> None:
    weights = band_weights(np.arange(24001.0))
    np.testing.assert_allclose(weights.sum(axis=0), 1.0, atol=1e-12)
    assert weights.min() > -1e-12
    np.testing.assert_allclose(weights[0, :63], 1.0)
    np.testing.assert_allclose(weights[-1, 8000:], 1.0)
    assert (np.count_nonzero(weights > 1e-12, axis=0) <= 2).all()


def test_absorption_is_interpolated_and_held() -> None:
    walls = Walls(SIZE, 343.2, (100.0, 400.0), ((0.1,) * 6, (0.3,) * 6))
    at = walls.absorption_at(np.array([0.0, 100.0, 200.0, 400.0, 9000.0]))
    np.testing.assert_allclose(at[:, 0], [0.1, 0.1, 0.2, 0.3, 0.3])


def test_direct_sound_of_a_large_hall_is_that_of_free_field() -> None:
    """Cut out before the first reflection: 1 / r on time, from 150 Hz to 16 kHz."""
    size, source, microphone = (14.0, 13.0, 12.0), (7.0, 6.5, 6.0), (8.5, 6.9, 6.2)
    radiator = Radiator(source, microphone, 0.03)
    transfer = room_transfer(uniform(size, 0.5), (radiator,), (microphone,), RATE)[0, 0]
    response = np.fft.irfft(transfer)
    distance = float(np.linalg.norm(np.subtract(source, microphone)))
    arrival = round(distance / 343.2 * RATE)
    window = np.zeros(len(response))
    window[: arrival + 900] = 1  # the first reflection is 10 m of path later, 29 ms
    window[arrival + 900 : arrival + 1300] = np.linspace(1, 0, 400)
    frequencies = np.arange(24001.0)
    band = (frequencies > 150) & (frequencies < 16000)
    expected = np.exp(-2j * np.pi * frequencies * distance / 343.2) / distance
    ratio = (np.fft.rfft(response * window) / expected)[band]
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.1
    assert np.abs(np.angle(ratio)).max() < 0.01


def test_nothing_arrives_before_the_direct_sound() -> None:
    """Absorption that varies sixfold over frequency rings before it at -45 dB at most."""
    walls = uniform(SIZE, 0.1, 0.2, 0.4, 0.6)
    radiator = Radiator((0.6, 0.95, 1.0), (3.6, 2.13, 1.1), 0.03)
    microphones = ((3.6, 2.13, 1.1), (4.5, 1.3, 1.15))
    responses = np.fft.irfft(room_transfer(walls, (radiator,), microphones, RATE)[0])
    for response, microphone in zip(responses, microphones, strict=True):
        distance = np.linalg.norm(np.subtract(radiator.position_m, microphone))
        before = response[: int(distance / 343.2 * RATE) - 48]
        assert (before**2).sum() < 10**-4.5 * (response**2).sum()


@pytest.mark.parametrize(("low_hz", "high_hz", "values"), [(1400, 2800, 0.3), (5600, 11000, 0.2)])
def test_level_of_the_late_sound_falls_as_the_absorption_says(
    low_hz: float, high_hz: float, values: float
) -> None:
    """Slope between 40 and 120 ms: within 15 % of Eyring's (equal walls, a compact room)."""
    size = (4.3, 4.0, 3.7)
    walls = uniform(size, values)
    radiator = Radiator((0.9, 1.1, 1.3), (3.0, 2.4, 1.9), 1e-6)
    generator = np.random.default_rng(3)
    microphones = tuple(map(tuple, generator.uniform(0.2, 0.8, (8, 3)) * size))
    spectra = room_transfer(walls, (radiator,), microphones, RATE)[0].copy()
    frequencies = np.arange(24001.0)
    spectra[:, (frequencies < low_hz) | (frequencies > high_hz)] = 0
    energy = (np.fft.irfft(spectra) ** 2).mean(axis=0)
    level = 10 * np.log10(energy[1920:5760].reshape(16, 240).sum(axis=1))
    slope = np.polyfit(np.arange(16) * 0.005, level, 1)[0]
    eyring_s = walls.decay_s(np.array([float(np.sqrt(low_hz * high_hz))]))[0]
    assert -60 / slope == pytest.approx(eyring_s, rel=0.15)


def test_the_lowest_mode_stands_where_it_should_and_rings_as_it_should() -> None:
    """Late response: one peak at c / 2L, as wide as d / pi, in the joined response too."""
    walls = uniform(SIZE, 0.15)
    radiator = Radiator((0.05, 0.05, 0.05), (3.0, 2.0, 1.0), 0.03)
    transfer = room_transfer(walls, (radiator,), ((5.5, 4.2, 2.4),), RATE)[0, 0]
    numbers = np.array([[1, 0, 0]])
    mode = mode_frequencies_hz(numbers, SIZE, 343.2)[0]
    damping = mode_damping(numbers, SIZE, 343.2, np.full((1, 6), 0.15))[0]
    band = slice(round(mode) - 1, round(mode) + 2)
    frequencies = np.arange(24001.0)[band]
    power = 1 / np.abs(transfer[band]) ** 2  # of a resonance: a parabola over frequency
    curve = np.polyfit(frequencies - mode, power, 2)
    peak = -curve[1] / (2 * curve[0])
    half_width = np.sqrt(np.polyval(curve, peak) / curve[0])
    assert peak == pytest.approx(0.0, abs=0.3)
    assert half_width == pytest.approx(damping / (2 * np.pi), rel=0.15)


def test_decay_time_of_a_worked_example() -> None:
    """7 x 5 x 3 m, a = 0.3: 0.334 s by Eyring with 0.161 for 24 ln10 / c."""
    walls = uniform((7.0, 5.0, 3.0), 0.3)
    assert walls.decay_s(np.array([500.0]))[0] == pytest.approx(0.33378, rel=3e-4)


def test_a_room_is_computed_once() -> None:
    walls = uniform(SIZE, 0.3)
    radiators, microphones = (Radiator((1.0, 1.0, 1.0), (3.0, 2.0, 1.0), 0.1),), ((3.0, 2.0, 1.0),)
    first = room_transfer(walls, radiators, microphones, RATE)
    assert room_transfer(walls, radiators, microphones, RATE) is first
    assert not first.flags.writeable
