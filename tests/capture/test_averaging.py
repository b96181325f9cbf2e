"""Repeats averaged: noise falls, the disturbed one is left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomtune.capture.averaging import averaged
from roomtune.capture.measure import capture_many, capture_take
from roomtune.capture.take import Finding, Verdict


@pytest.fixture(scope="module")
def truth(small_room, room_response, take_request):
    room = small_room({1: room_response(1)}, loopback=(3, 2))
    return capture_take(room, take_request("loopback", duration_s=0.8)).take


def noisy(truth, seed, level=1e-4, shift_s=0.0):
    """The true take with white noise on its response, delayed by a fraction of a sample."""
    random = np.random.default_rng(seed)
    response = truth.impulse_response
    spectrum = np.fft.rfft(response.samples)
    turns = np.arange(spectrum.size) / response.samples.size * response.sample_rate_hz
    samples = np.fft.irfft(spectrum * np.exp(-2j * np.pi * turns * shift_s), response.samples.size)
    samples = samples + level * random.standard_normal(samples.size)
    return replace(truth, impulse_response=replace(response, samples=samples))


def deviation(take, truth):
    difference = take.impulse_response.samples - truth.impulse_response.samples
    return float(np.sqrt(np.mean(difference**2)))


def test_noise_falls_with_the_number_of_takes(truth):
    takes = [noisy(truth, seed) for seed in range(8)]
    mean = averaged(takes)
    assert deviation(mean, truth) == pytest.approx(1e-4 / np.sqrt(8), rel=0.05)
    np.testing.assert_allclose(mean.noise.density, takes[0].noise.density / 8)
    gained = mean.octave_snr_db[2][1] - takes[0].octave_snr_db[2][1]
    assert gained == pytest.approx(9.03, abs=0.01)


def test_the_disturbed_one_is_left_out(truth):
    takes = [noisy(truth, seed) for seed in range(4)]
    takes.insert(2, noisy(truth, 9, level=2e-2))
    mean = averaged(takes)
    assert deviation(mean, truth) == pytest.approx(1e-4 / 2, rel=0.1)
    assert mean.verdict.findings[-1].code == "repeats left out"
    assert "4 of 5" in mean.verdict.findings[-1].text
    assert mean.verdict.grade == "good"


@pytest.mark.parametrize("shift_s", [3.3e-6, -40e-6, 2.5e-3])
def test_takes_are_aligned_first(truth, shift_s):
    mean = averaged([noisy(truth, 0, level=1e-6), noisy(truth, 1, level=1e-6, shift_s=shift_s)])
    peak = np.abs(truth.impulse_response.samples).max()
    assert deviation(mean, truth) < 1e-4 * peak


def test_bad_takes_are_left_out_unless_there_are_no_others(truth):
    bad = Verdict("repeat", (Finding("clipping", "repeat", "It clipped."),))
    spoiled = replace(noisy(truth, 1, level=1e-2), verdict=bad)
    kept = averaged([spoiled, noisy(truth, 2), spoiled])
    assert deviation(kept, truth) < 2e-4
    assert averaged([spoiled, spoiled]).verdict.grade == "repeat"


def test_findings_shared_by_most_stay(truth):
    weak = Verdict("usable", (Finding("low signal-to-noise", "usable", "Weak."),))
    takes = [replace(noisy(truth, seed), verdict=weak) for seed in range(3)]
    assert averaged(takes).verdict.grade == "usable"
    once = [takes[0], noisy(truth, 5), noisy(truth, 6)]
    assert averaged(once).verdict.grade == "good"


def test_different_things_are_refused(truth):
    with pytest.raises(ValueError, match="one source"):
        averaged([truth, replace(truth, seat="other")])
    with pytest.raises(ValueError, match="no takes"):
        averaged([])


def test_capture_averages_as_often_as_asked(small_room, room_response, take_request):
    room = small_room({1: room_response(1)}, loopback=(3, 2), noise_rms=1e-3)
    request = take_request("loopback", duration_s=0.8)
    thrice = replace(request, settings=replace(request.settings, repeats=4))
    seen = []
    mean = capture_many(room, [thrice], on_captured=seen.append)[0].take
    assert len(seen) == 4
    clean = capture_take(small_room({1: room_response(1)}, loopback=(3, 2)), request).take
    single = np.mean([deviation(item.take, clean) for item in seen])
    assert deviation(mean, clean) == pytest.approx(single / 2, rel=0.15)
