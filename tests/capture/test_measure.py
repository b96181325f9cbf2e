"""Requests through a small room of known truth, and back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.fft

from roomtune.capture.interface import Recording
from roomtune.capture.measure import capture_many, capture_take, take_from_recording
from roomtune.errors import MeasurementError


def error_against(take, truth, advance_s):
    """Energy ratio in dB in the valid band, and the mean delay left over in microseconds."""
    rate = take.impulse_response.sample_rate_hz
    length = 2**18
    frequencies = scipy.fft.rfftfreq(length, 1 / rate)
    low, high = take.stimulus.valid_band_hz
    inside = (frequencies >= low) & (frequencies <= high)
    got = take.impulse_response.response(length).values[inside]
    turn = np.exp(2j * np.pi * frequencies * advance_s)
    expected = (scipy.fft.rfft(truth, length) * turn)[inside]
    energy = np.sum(np.abs(got - expected) ** 2) / np.sum(np.abs(expected) ** 2)
    weight = np.abs(expected) ** 2 * frequencies[inside]
    angle = np.angle(got * np.conj(expected))
    delay = -np.sum(weight * angle) / np.sum(weight * frequencies[inside]) / (2 * np.pi)
    return 10 * np.log10(energy), delay * 1e6


@pytest.mark.parametrize("drift_ppm", [0.0, 93.0, -100.0])
@pytest.mark.parametrize("band_hz", [(15, 250), (1500, 20000)])
def test_loopback_recovers_truth_and_absolute_time(
    small_room, room_response, take_request, drift_ppm, band_hz
):
    truth = room_response(1, band_hz=(max(25, band_hz[0]), min(band_hz[1] * 0.8, 18000)))
    room = small_room({1: truth}, drift_ppm=drift_ppm, loopback=(3, 2))
    captured = capture_take(room, take_request("loopback", band_hz, duration_s=3))
    energy_db, delay_us = error_against(captured.take, truth, 0)
    assert energy_db < -75
    assert abs(delay_us) < 0.05
    assert captured.take.clock_drift_ppm == pytest.approx(drift_ppm, abs=0.01)
    assert captured.take.reference == "loopback"
    assert captured.take.verdict.grade == "good"


def test_acoustic_reference_keeps_differences_between_outputs(
    small_room, room_response, take_request
):
    marker_path = room_response(2, delay_s=0.004)
    delays = []
    for seed, drift_ppm in ((11, 0), (12, 61), (13, -88), (14, 20)):
        truth = room_response(seed, delay_s=0.003 + 0.001 * (seed - 10), band_hz=(120, 15000))
        room = small_room({1: truth, 2: marker_path}, drift_ppm=drift_ppm, seed=seed)
        # The noise sits 40 dB below the sweep at the microphone.
        room.noise_rms = 0.25 * 0.7 * 0.01
        take = capture_take(room, take_request("acoustic")).take
        _, delay_us = error_against(take, truth, 0.004)
        delays.append(delay_us)
        assert take.clock_drift_ppm == pytest.approx(drift_ppm, abs=0.2)
        assert take.verdict.grade == "good", take.verdict
    # One constant is left: what the reflections do to the marker's strongest point.
    assert np.std(delays) < 1.0
    assert abs(np.mean(delays)) < 50


def test_no_reference_puts_the_strongest_point_at_zero(small_room, room_response, take_request):
    room = small_room({1: room_response(5)}, noise_rms=1e-4)
    take = capture_take(room, take_request("none")).take
    assert take.reference == "none"
    response = take.impulse_response
    assert response.times_s[np.argmax(np.abs(response.samples))] == pytest.approx(0, abs=1e-9)


def test_level_is_taken_out(small_room, room_response, take_request):
    truth = room_response(6)
    for level_dbfs in (-12.0, -30.0):
        request = take_request("loopback", level_dbfs=level_dbfs)
        take = capture_take(small_room({1: truth}, loopback=(3, 2)), request).take
        assert error_against(take, truth, 0)[0] < -60


def test_takes_share_one_time_axis(small_room, room_response, take_request):
    room = small_room({1: room_response(7), 2: room_response(8)}, noise_rms=1e-4)
    takes = [
        capture_take(room, take_request("acoustic", band)).take
        for band in ((30, 400), (200, 16000), (1500, 20000))
    ]
    axes = {(t.impulse_response.start_s, t.impulse_response.samples.size) for t in takes}
    assert len(axes) == 1


def test_recorder_with_another_rate_is_resampled(small_room, room_response, take_request):
    import soxr

    truth = room_response(9)
    room = small_room({1: truth}, loopback=(3, 2))
    request = take_request("loopback")
    recording = capture_take(room, request).recording
    samples = soxr.resample(np.array(recording.samples), 48000, 44100, "VHQ")
    take = take_from_recording(Recording(samples, 44100), request)
    assert error_against(take, truth, 0)[0] < -45
    assert take.verdict.grade == "good"


def test_bad_takes_are_repeated_and_the_best_is_kept(small_room, room_response, take_request):
    spoiled = []

    def spoil_the_first(samples):
        spoiled.append(samples)
        return np.clip(samples, -0.02, 0.02) if len(spoiled) == 1 else samples

    room = small_room({1: room_response(1), 2: room_response(2)}, noise_rms=1e-4)
    room.spoil = spoil_the_first
    seen, told = [], []
    kept = capture_many(
        room,
        [take_request("acoustic")],
        on_captured=seen.append,
        on_progress=lambda request, attempt: told.append((request.source, attempt)),
    )
    assert [item.take.verdict.grade for item in seen] == ["repeat", "good"]
    assert told == [("front-left", 1), ("front-left", 2)]
    assert kept == (seen[1],)


def test_repeating_ends_at_the_limit(small_room, room_response, take_request):
    room = small_room({1: room_response(1), 2: room_response(2)})
    room.spoil = np.zeros_like
    seen = []
    kept = capture_many(room, [take_request("acoustic")], on_captured=seen.append)
    assert len(seen) == 3
    assert kept[0].take.verdict.findings[0].code == "digital silence"


def test_somebody_is_asked_before_a_hand_switched_take(small_room, room_response, take_request):
    room = small_room({1: room_response(1), 2: room_response(2)}, noise_rms=1e-4)
    request = replace(take_request("acoustic"), by_hand=True, instruction="Switch to the woofer.")
    asked = []
    capture_many(room, [request, take_request("acoustic")], before_by_hand=asked.append)
    assert asked == [request]


def test_wrong_rate_of_the_interface_is_refused(small_room, room_response, take_request):
    room = small_room({1: room_response(1)}, sample_rate_hz=44100)
    with pytest.raises(MeasurementError, match="44100"):
        capture_take(room, take_request("none"))


def test_missing_input_is_refused(take_request):
    with pytest.raises(MeasurementError, match="expected 2"):
        take_from_recording(Recording(np.ones((200000, 1)), 48000), take_request("loopback"))
