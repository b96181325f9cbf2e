"""Time-frequency views of signals with closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.time_frequency import (
    TimeFrequency,
    cumulative_spectral_decay,
    fall_times_s,
    spectrogram,
    wavelet_view,
)
from roomtune.signal.values import ImpulseResponse

RATE = 8000.0


def resonance(frequency_hz, time_s, seconds=1.5):
    times = np.arange(int(seconds * RATE)) / RATE
    return np.exp(-3 * np.log(10) * times / time_s) * np.sin(2 * np.pi * frequency_hz * times)


def test_spectral_decay_of_a_resonance_falls_by_its_decay_time():
    response = ImpulseResponse(np.stack([resonance(100, 0.5), resonance(60, 0.9)]), RATE)
    times = np.array([0.05, 0.1, 0.2, 0.3])
    found = cumulative_spectral_decay(response, [60.0, 100.0], times, rise_s=1e-3)
    assert found.level_db.shape == (2, 4, 2)
    fall = found.level_db[:, :1] - found.level_db
    assert fall[0, :, 1] == pytest.approx(60 * (times - 0.05) / 0.5, abs=0.3)
    assert fall[1, :, 0] == pytest.approx(60 * (times - 0.05) / 0.9, abs=0.3)


def test_first_slice_is_the_whole_spectrum():
    rng = np.random.default_rng(0)
    response = ImpulseResponse(rng.standard_normal(1000), RATE, 0.1)
    frequencies = np.array([100.0, 1234.5, 3000.0])
    found = cumulative_spectral_decay(response, frequencies, [0.1])
    exact = np.exp(-2j * np.pi * response.times_s * frequencies[:, None]) @ response.samples
    assert found.level_db[0] == pytest.approx(20 * np.log10(np.abs(exact)), abs=1e-9)


def test_spectrogram_and_wavelets_read_the_amplitude_of_a_sine():
    tone = 0.5 * np.sin(2 * np.pi * 200 * np.arange(8000) / RATE)
    response = ImpulseResponse(tone, RATE, -0.2)
    fixed = spectrogram(response, 0.1, 0.05, [200.0, 400.0])
    assert fixed.level_db[:, 0] == pytest.approx(20 * np.log10(0.5), abs=0.01)
    assert np.all(fixed.level_db[:, 1] < -60)
    assert fixed.times_s[0] == pytest.approx(-0.15)
    scaled = wavelet_view(response, [100.0, 200.0], [0.2, 0.4])
    assert scaled.level_db[:, 1] == pytest.approx(20 * np.log10(0.5), abs=0.01)
    # half the frequency lies cycles / 2 standard deviations away on each side: e^{-(6)^2 / 2}
    assert np.all(scaled.level_db[:, 0] < -100)


def test_wavelets_follow_a_decay():
    response = ImpulseResponse(resonance(125, 0.6), RATE)
    times = np.array([0.1, 0.3, 0.5])
    found = wavelet_view(response, [125.0], times)
    fall = found.level_db[0, 0] - found.level_db[:, 0]
    assert fall == pytest.approx(60 * (times - 0.1) / 0.6, abs=0.05)


def test_every_slice_of_the_decay_is_its_definition():
    """The gated spectrum worked out anew for each time: fade of half a cosine, then all."""
    rng = np.random.default_rng(3)
    response = ImpulseResponse(rng.standard_normal((2, 9000)), RATE, -0.05)
    frequencies = np.array([30.0, 400.0, 2500.0])
    times = np.array([0.4, -0.02, 0.1, 5.0])
    found = cumulative_spectral_decay(response, frequencies, times, rise_s=2e-3)
    turns = np.exp(-2j * np.pi * response.times_s[:, None] * frequencies)
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(16) + 0.5) / 16)
    for row, time_s in enumerate(times):
        gate = np.zeros(9000)
        first = round((time_s + 0.05) * RATE)
        gate[first:] = 1
        ramp = np.arange(first - 16, first)
        gate[ramp[ramp < 9000]] = fade[ramp < 9000]
        exact = 10 * np.log10(np.maximum(np.abs((response.samples * gate) @ turns) ** 2, 1e-300))
        assert found.level_db[:, row] == pytest.approx(exact, abs=1e-8)


def test_spectrogram_agrees_with_scipy():
    """Outside library: scipy.signal.ShortTimeFFT at its own frequencies."""
    from scipy.signal import ShortTimeFFT

    rng = np.random.default_rng(4)
    samples = rng.standard_normal(4000)
    found = spectrogram(ImpulseResponse(samples, RATE), 0.032, 0.016, np.arange(129) * RATE / 256)
    window = np.hanning(257)[:-1]
    transform = ShortTimeFFT(window, 128, RATE, fft_mode="onesided")
    values = transform.stft(samples, p0=1, p1=1 + len(found.times_s)) * 2 / window.sum()
    power = 10 ** (found.level_db / 10)
    assert power == pytest.approx(np.abs(values.T) ** 2, rel=1e-6, abs=1e-12)


def test_a_resonance_falls_by_20_db_in_a_third_of_its_decay_time():
    response = ImpulseResponse(np.stack([resonance(125, 0.6, 3), resonance(125, 0.3, 3)]), RATE)
    times = np.linspace(0.05, 0.5, 200)
    frequencies = np.array([120.0, 125.0, 130.0, 1000.0])
    found = wavelet_view(response, frequencies, times)
    bands = np.array([[100.0, 150.0], [300.0, 600.0]])
    falls = fall_times_s(found, bands, 20.0)
    assert falls.shape == (2, 2)
    assert falls[:, 0] == pytest.approx([0.05 + 0.2, 0.05 + 0.1], rel=0.01)
    assert np.all(np.isnan(falls[:, 1]))


def test_what_never_falls_far_enough_has_no_fall_time():
    level = TimeFrequency(np.arange(4.0), np.array([100.0]), np.array([[0.0], [-5], [-15], [-19]]))
    assert np.isnan(fall_times_s(level, np.array([[50.0, 200.0]]), 20.0)[0])
    assert fall_times_s(level, np.array([[50.0, 200.0]]), 10.0)[0] == pytest.approx(1.5)
