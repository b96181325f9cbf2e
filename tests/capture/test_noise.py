"""Noise densities and what they say about the error of a response."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from roomtune.capture.noise import noise_density, octaves_hz, response_uncertainty, smoothed_density
from roomtune.capture.reading import gather, take_from_recording
from roomtune.capture.stimulus import take_signals

RATE = 48000


def test_white_noise_has_its_density():
    # Variance s^2 over the two-sided band fs: density s^2 / fs.
    samples = 0.01 * np.random.default_rng(0).standard_normal(RATE)
    spectrum = noise_density(samples, RATE)
    assert np.mean(spectrum.density[5:]) == pytest.approx(1e-4 / RATE, rel=0.02)
    scatter = np.std(spectrum.density[5:]) / np.mean(spectrum.density[5:])
    assert scatter == pytest.approx(1 / np.sqrt(10), rel=0.15)


def test_density_integrates_to_the_power_of_a_hum():
    times = np.arange(RATE) / RATE
    spectrum = noise_density(0.02 * np.sin(2 * np.pi * 50 * times), RATE)
    step = spectrum.frequencies_hz[1]
    around = np.abs(spectrum.frequencies_hz - 50) < 12
    assert 2 * step * spectrum.density[around].sum() == pytest.approx(2e-4, rel=0.01)
    assert spectrum.density[np.abs(spectrum.frequencies_hz - 200) < 20].max() < 1e-8


def test_coloured_noise_agrees_with_welch():
    # scipy.signal.welch gives the one-sided density, twice ours.
    random = np.random.default_rng(1)
    sections = scipy.signal.butter(2, [200, 2000], "bandpass", fs=RATE, output="sos")
    samples = scipy.signal.sosfilt(sections, random.standard_normal(4 * RATE))
    ours = smoothed_density(noise_density(samples, RATE), np.geomspace(300, 1500, 20))
    grid, density = scipy.signal.welch(samples, RATE, nperseg=4096)
    theirs = np.interp(np.geomspace(300, 1500, 20), grid, density) / 2
    assert np.max(np.abs(10 * np.log10(ours / theirs))) < 0.8


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="too few"):
        noise_density(np.zeros(10), RATE)


def test_octaves_are_whole_and_at_least_one():
    np.testing.assert_allclose(octaves_hz(44, 23000), 1000 * 2.0 ** np.arange(-4, 5))
    np.testing.assert_allclose(octaves_hz(100, 120), [np.sqrt(12000)])


def test_uncertainty_covers_the_error_and_meets_the_bound(small_room, room_response, take_request):
    # The bound: variance of H is T S(f) / |X(f)|^2, for a window of T seconds.
    rate = 24000
    request = take_request("loopback", (100, 8000), duration_s=0.6, rate=rate)
    request = replace(request, settings=replace(request.settings, tail_s=0.5))
    truth = room_response(3, rate=rate, band_hz=(150, 7000))
    room = small_room({1: truth}, sample_rate_hz=rate, loopback=(3, 2), latency_s=(0.2, 0.2))
    clean = room.play_and_record(take_signals(request), request.inputs)
    take = take_from_recording(clean, request)
    random = np.random.default_rng(42)
    sections = scipy.signal.butter(1, 800, fs=rate, output="sos")
    frequencies = np.geomspace(150, 6500, 25)
    times = take.impulse_response.times_s
    inside = (times >= 0) & (times < 0.1)
    turn = np.exp(-2j * np.pi * frequencies[:, None] * times[inside])
    reference = turn @ take.impulse_response.samples[inside]
    covered, powers, expected = [], [], []
    for _ in range(200):
        noise = np.zeros(clean.samples.shape)
        white = random.standard_normal(clean.samples.shape[0])
        noise[:, 0] = 3e-3 * scipy.signal.sosfilt(sections, white)
        noise[:, 0] += 1e-4 * random.standard_normal(noise.shape[0])
        evidence = gather(replace(clean, samples=clean.samples + noise), request)
        error = turn @ evidence.response.linear.samples[inside] - reference
        sigma = response_uncertainty(replace(take, noise=evidence.noise), frequencies, 0.1)
        # Each part carries half the variance; 95 % lie within 1.96 standard deviations.
        covered.append(np.abs(error.real) < 1.96 * sigma / np.sqrt(2))
        powers.append(np.abs(error) ** 2)
        expected.append(sigma**2)
    excess_db = 10 * np.log10(np.mean(powers, axis=0) / np.mean(expected, axis=0))
    print(
        f"{100 * np.mean(covered):.1f} % of 200 takes within the stated 95 %; error over the "
        f"bound {np.mean(excess_db):+.2f} dB on average, {np.max(np.abs(excess_db)):.2f} dB at most"
    )
    # Wanted: 95 +- 3 %, and within 1 dB of the bound.
    assert np.mean(covered) == pytest.approx(0.95, abs=0.03)
    assert abs(np.mean(excess_db)) < 0.3
    assert np.max(np.abs(excess_db)) < 1.0
