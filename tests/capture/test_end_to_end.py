"""Whole takes at every usual rate, and arrivals between outputs without a loopback."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomtune.capture.measure import capture_take


def spectra(take, truth, delay_s, rate):
    """The take and the truth, which came so much later than the markers, in the valid band."""
    low, high = take.stimulus.valid_band_hz
    frequencies = np.geomspace(1.05 * low, 0.9 * high, 120)
    got = take.impulse_response.response_at(frequencies).values
    times = np.arange(truth.size) / rate - delay_s
    turn = np.exp(-2j * np.pi * frequencies[:, None] * times)
    return got, turn @ truth


@pytest.mark.parametrize("rate", [44100, 96000, 192000])
def test_a_take_is_right_at_every_rate(small_room, room_response, take_request, rate):
    truth = 0.3 * room_response(4, rate=rate, delay_s=0.009, band_hz=(150, 12000), length_s=0.4)
    request = take_request("loopback", duration_s=0.8, rate=rate)
    room = small_room({1: truth}, sample_rate_hz=rate, loopback=(3, 2), drift_ppm=40.0)
    take = capture_take(room, request).take
    assert take.verdict.grade == "good", take.verdict
    assert take.clock_drift_ppm == pytest.approx(40, abs=1)
    got, expected = spectra(take, truth, 0.0, rate)
    deviation = np.abs(got - expected) / np.max(np.abs(expected))
    print(f"{rate} Hz: {20 * np.log10(np.max(deviation)):.0f} dB under the peak")
    assert np.max(deviation) < 10 ** (-50 / 20)


def test_arrivals_between_outputs_without_a_loopback(small_room, room_response, take_request):
    # Wanted: within 10 us rms at 40 dB signal-to-noise, with latencies that change.
    rate, errors = 48000, []
    marker = room_response(60, delay_s=0.004)
    for seed in range(12):
        truth = room_response(seed, delay_s=0.004 + 0.0004 * seed)
        room = small_room({1: truth, 2: marker}, drift_ppm=(90.0, -90.0)[seed % 2], seed=seed)
        room.noise_rms = 0.25 * 0.3 * 10 ** (-40 / 20)
        request = replace(take_request("acoustic", duration_s=0.8), source=f"output-{seed}")
        take = capture_take(room, request).take
        got, expected = spectra(take, truth, 0.004, rate)
        frequencies = np.geomspace(1.05 * 119, 0.9 * 15102, 120)
        phase = np.unwrap(np.angle(got / expected))
        weight = np.abs(expected) ** 2 * frequencies
        errors.append(-np.sum(weight * phase * frequencies) / np.sum(weight * frequencies**2))
    errors_us = 1e6 * np.array(errors) / (2 * np.pi)
    rms_us = float(np.std(errors_us))
    print(f"arrivals of 12 outputs differ from the truth by {rms_us:.2f} us rms")
    assert rms_us < 10
