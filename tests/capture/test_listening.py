"""Noise per third-octave, hum by name, and calibration."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from roomtune.capture.listening import (
    listen,
    noise_report,
    pink_noise,
    sensitivity_from_calibrator,
    sensitivity_from_meter,
)
from roomtune.errors import MeasurementError

RATE = 48000


def test_white_noise_rises_one_decibel_per_third():
    samples = 0.01 * np.random.default_rng(0).standard_normal(10 * RATE)
    report = noise_report(samples, RATE)
    high = report.centres_hz > 200
    slopes = np.diff(report.levels_dbfs[high])
    assert np.mean(slopes) == pytest.approx(1, abs=0.05)
    place = np.argmin(np.abs(report.centres_hz - 1000))
    # Power in the third around 1 kHz: 0.2308 of the centre frequency wide.
    expected = 10 * np.log10(1e-4 * 2 / RATE * 1000 * (10**0.05 - 10**-0.05))
    assert report.levels_dbfs[place] == pytest.approx(expected, abs=0.3)
    assert report.total_dbfs == pytest.approx(10 * np.log10(1e-4 * 19980 / 24000), abs=0.1)
    assert report.hums == ()


def test_centres_are_the_exact_ones(reference_folder):
    # IEC 61260-1:2014 formulas (1) to (5), b = 3.
    path = reference_folder / "iso266_iec61260_thirds.csv"
    with open(path, encoding="utf-8") as file:
        exact = [float(row["exact_midband_Hz"]) for row in csv.DictReader(file)]
    report = noise_report(np.random.default_rng(0).standard_normal(RATE), RATE)
    for centre in report.centres_hz:
        assert np.min(np.abs(np.array(exact) / centre - 1)) < 1e-9


@pytest.mark.parametrize("mains_hz", [50, 60])
def test_hum_is_named_with_its_level(mains_hz):
    random = np.random.default_rng(2)
    times = np.arange(2 * RATE) / RATE
    samples = 1e-4 * random.standard_normal(times.size)
    for order, amplitude in ((1, 2e-4), (3, 1e-4)):
        samples += amplitude * np.sin(2 * np.pi * mains_hz * order * times + order)
    hums = noise_report(samples, RATE).hums
    assert [hum.frequency_hz for hum in hums] == [mains_hz, 3 * mains_hz]
    assert hums[0].level_dbfs == pytest.approx(20 * np.log10(2e-4) - 3.01, abs=0.5)
    assert hums[1].name == f"mains hum, {mains_hz} Hz x 3"


def test_calibrator_gives_the_sensitivity():
    random = np.random.default_rng(3)
    times = np.arange(3 * RATE) / RATE
    tone = 0.05 * np.sin(2 * np.pi * 1003 * times) + 1e-4 * random.standard_normal(times.size)
    expected = 20 * np.log10(0.05 / np.sqrt(2))
    assert sensitivity_from_calibrator(tone, RATE) == pytest.approx(expected, abs=0.01)
    at_114 = sensitivity_from_calibrator(tone, RATE, level_db=114)
    assert at_114 == pytest.approx(expected - 20, abs=0.01)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda tone, times: np.random.default_rng(0).standard_normal(tone.size),
        lambda tone, times: tone * (1 + 0.2 * times),
        lambda tone, times: np.sin(2 * np.pi * 1200 * times),
    ],
)
def test_what_is_not_a_calibrator_is_refused(spoil):
    times = np.arange(2 * RATE) / RATE
    with pytest.raises(MeasurementError, match="No steady calibrator tone"):
        sensitivity_from_calibrator(spoil(np.sin(2 * np.pi * 1000 * times), times), RATE)


def test_meter_reading_gives_the_sensitivity():
    noise = pink_noise((500, 2000), 5, RATE, seed=4)[RATE // 10 : -RATE // 10]
    heard = 0.02 * noise / np.sqrt(np.mean(noise**2))
    got = sensitivity_from_meter(heard, RATE, 75.0, (450, 2200))
    assert got == pytest.approx(20 * np.log10(0.02) + 19, abs=0.05)


def test_pink_noise_has_equal_power_per_octave_and_nothing_outside():
    noise = pink_noise((100, 3200), 20, RATE, seed=1)
    assert np.abs(noise).max() == pytest.approx(1)
    assert abs(noise[0]) < 1e-9
    np.testing.assert_array_equal(noise, pink_noise((100, 3200), 20, RATE, seed=1))
    spectrum = np.abs(np.fft.rfft(noise)) ** 2
    frequencies = np.fft.rfftfreq(noise.size, 1 / RATE)
    octaves = [
        spectrum[(frequencies >= low) & (frequencies < 2 * low)].sum()
        for low in (100, 200, 400, 800, 1600)
    ]
    assert np.ptp(10 * np.log10(octaves)) < 0.1
    outside = (frequencies < 90) | (frequencies > 3300)
    assert spectrum[outside].sum() < 1e-4 * spectrum.sum()


def test_listening_plays_nothing_and_refuses_digital_silence(small_room, room_response):
    room = small_room({1: room_response(1)}, noise_rms=1e-4)
    samples = listen(room, 1, 1.0)
    assert samples.size >= RATE
    assert not room.played[0].any()
    deaf = small_room({1: room_response(1)})
    with pytest.raises(MeasurementError, match="digital silence"):
        listen(deaf, 1, 1.0)
