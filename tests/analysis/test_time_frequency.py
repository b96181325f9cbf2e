"""Time-frequency views of signals with closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.time_frequency import (
    cumulative_spectral_decay,
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
