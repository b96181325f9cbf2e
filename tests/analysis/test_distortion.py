"""Distortion of a known polynomial, played by a sweep and by sines."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.distortion import distortion, usable_level_dbfs
from roomtune.signal.deconvolution import deconvolve
from roomtune.signal.sweeps import Sweep, sweep_signal
from roomtune.signal.values import ImpulseResponse

SWEEP = Sweep(20.0, 20e3, 3.0, 48000.0)
# order: coefficient; Chebyshev identities give the harmonics of a unit sine
POLYNOMIAL = {2: 0.1, 3: 0.2, 4: 0.05, 5: 0.04}


def harmonic_amplitudes():
    """Harmonics of x + sum a_n x^n for a unit sine, by its own Fourier series."""
    angle = 2 * np.pi * np.arange(4096) / 4096
    sine = np.sin(angle)
    wave = sine + sum(a * sine**n for n, a in POLYNOMIAL.items())
    return 2 * np.abs(np.fft.rfft(wave))[:10] / 4096


def played(noise=0.0, seed=0):
    signal = np.concatenate([np.zeros(4800), sweep_signal(SWEEP), np.zeros(48000)])
    bent = signal + sum(a * signal**n for n, a in POLYNOMIAL.items())
    bent += noise * np.random.default_rng(seed).standard_normal(len(bent))
    return deconvolve(bent, SWEEP, 0.1)


def test_polynomial_against_its_fourier_series():
    found = played()
    frequencies = np.geomspace(100, 3500, 40)
    result = distortion(found.linear, found.harmonics, frequencies, SWEEP.valid_band_hz)
    truth = harmonic_amplitudes()
    # standards: |H1| = 1 + 3 a3 / 4 + 5 a5 / 8, checked against the series itself
    assert truth[1] == pytest.approx(1 + 0.75 * 0.2 + 0.625 * 0.04)
    assert result.fundamental_db == pytest.approx(20 * np.log10(truth[1]), abs=0.05)
    for order in range(2, 6):
        expected = 20 * np.log10(truth[order] / truth[1])
        assert result.harmonics_db[order - 2] == pytest.approx(expected, abs=0.3)
    total = 20 * np.log10(np.sqrt(np.sum(truth[2:6] ** 2)) / truth[1])
    assert result.total_db == pytest.approx(total, abs=0.1)
    assert result.total_percent == pytest.approx(100 * 10 ** (total / 20), rel=0.02)


def test_orders_outside_the_band_are_not_judged():
    found = played()
    result = distortion(found.linear, found.harmonics, [5000.0, 9000.0, 12000.0], (20.0, 20e3))
    assert np.isfinite(result.harmonics_db[0]).tolist() == [True, True, False]
    assert np.isfinite(result.harmonics_db[2]).tolist() == [True, False, False]
    assert np.isnan(result.total_db[2])


def test_noise_floor_is_shown_and_not_taken_for_distortion():
    noise = 0.02
    signal = np.concatenate([np.zeros(4800), sweep_signal(SWEEP), np.zeros(48000)])
    signal = signal + noise * np.random.default_rng(1).standard_normal(len(signal))
    found = deconvolve(signal, SWEEP, 0.1)
    frequencies = np.geomspace(60, 2000, 60)
    result = distortion(found.linear, found.harmonics, frequencies, SWEEP.valid_band_hz)
    assert np.mean(result.heard) < 0.1
    above = result.harmonics_db - result.floor_db
    assert np.nanmedian(above) == pytest.approx(0, abs=2)


def test_usable_level_follows_the_power_law():
    found = played()
    frequencies = np.array([500.0, 1000.0])
    result = distortion(found.linear, found.harmonics, frequencies, SWEEP.valid_band_hz)
    level = usable_level_dbfs(result, -6.0, (-40.0,))
    worst = [-6.0 + (-40.0 - result.harmonics_db[order - 2]) / (order - 1) for order in range(2, 6)]
    assert level == pytest.approx(np.min(worst, axis=0))


def test_a_linear_system_without_noise_can_be_played_at_any_level():
    one = np.zeros(4800)
    one[10] = 1.0
    silent = ImpulseResponse(np.full(4800, 1e-12), 48000.0)
    linear = ImpulseResponse(one, 48000.0)
    result = distortion(linear, [silent], [1000.0], (20.0, 20e3), smoothing=None)
    assert result.harmonics_db[0, 0] < -150
    assert np.all(np.isinf(usable_level_dbfs(result, 0.0)) | (usable_level_dbfs(result, 0.0) > 60))
