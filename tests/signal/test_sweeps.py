"""Sweeps against published numbers and analytic truths."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.signal.deconvolution import deconvolve
from roomtune.signal.sweeps import (
    Sweep,
    band_gain,
    sweep_energy_density,
    sweep_signal,
    sweep_spectrum,
)

RATE = 48000


def through(sweep, response):
    """The sweep after an FIR system, with room before and after."""
    played = np.pad(sweep_signal(sweep), (RATE // 4, RATE))
    return scipy.signal.fftconvolve(played, response)[: played.size], 0.25


def room_response(seed, low_hz, high_hz, delay=480):
    """A delayed, band-limited response with a diffuse tail of 0.4 s."""
    random = np.random.default_rng(seed)
    times = np.arange(RATE) / RATE
    response = 0.02 * random.standard_normal(RATE) * np.exp(-6.9 * times / 0.4)
    response[:delay] = 0
    response[delay] = 1
    sections = scipy.signal.butter(2, [low_hz, high_hz], "bandpass", fs=RATE, output="sos")
    return scipy.signal.sosfilt(sections, response)


def test_rate_and_length_match_the_worked_example():
    # Novak, Lotton, Simon, JAES 63(10) 2015, Eqs. 47 and 49: 20 Hz to 20 kHz, 10 s requested.
    sweep = Sweep(20, 20000, 10, RATE)
    assert sweep.rate_s == pytest.approx(1.45, abs=1e-12)
    assert sweep.true_duration_s == pytest.approx(10.0162451545, abs=1e-9)
    assert sweep.lead_s(2) == pytest.approx(1.005063, abs=1e-6)


def test_leads_match_the_published_table(reference_folder):
    # A. Farina, AES 108th Convention (2000): dt_n = L ln n, scaled here to the true L.
    with open(reference_folder / "sweep_harmonic_offsets.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert rows
    for row in rows:
        order = int(row["harmonic_n"])
        advance = float(row["advance_s"])
        assert advance == pytest.approx(float(row["rate_L_s"]) * math.log(order), rel=1e-12)
        sweep = Sweep(float(row["f1_Hz"]), float(row["f2_Hz"]), float(row["duration_s"]), RATE)
        assert sweep.lead_s(order) / sweep.rate_s == pytest.approx(advance / float(row["rate_L_s"]))
        # Rounding f1 L to a whole number moves L by half a cycle at most.
        assert abs(sweep.rate_s - float(row["rate_L_s"])) <= 0.5 / sweep.start_hz or (
            "ynchron" in row["sweep"]
        )


@given(
    start=st.floats(10, 2000),
    octaves=st.floats(1.5, 10),
    duration=st.floats(0.5, 6),
)
@settings(max_examples=40, derandomize=True, deadline=None)
def test_sweep_is_synchronized_bounded_and_faded(start, octaves, duration):
    stop = min(start * 2**octaves, 0.45 * RATE)
    if round(start * duration / math.log(stop / start)) < 1:
        with pytest.raises(ValueError, match="too short"):
            Sweep(start, stop, duration, RATE)
        return
    sweep = Sweep(start, stop, duration, RATE)
    signal = sweep_signal(sweep)
    assert sweep.rate_s * start == pytest.approx(round(sweep.rate_s * start), abs=1e-9)
    assert signal.size == sweep.sample_count
    assert np.abs(signal).max() <= 1
    assert abs(signal[0]) < 1e-12
    assert abs(signal[-1]) < 0.05
    assert not signal.flags.writeable


def test_instants_and_frequencies_are_inverse_of_each_other():
    sweep = Sweep(20, 20000, 3, RATE)
    frequencies = np.array([20.0, 100, 1000, 20000])
    back = sweep.frequency_at_hz(sweep.time_of_s(frequencies))
    np.testing.assert_allclose(back, frequencies, rtol=1e-12)
    assert sweep.time_of_s(20000) == pytest.approx(sweep.true_duration_s)


def test_spectrum_matches_the_closed_form():
    # Novak et al. 2015, Eq. 51: |X(f)| = sqrt(L / f) / 2 (the inverse has 2 sqrt(f / L)).
    sweep = Sweep(20, 20000, 10, RATE)
    frequencies = np.geomspace(60, 15000, 300)
    expected = sweep.rate_s / frequencies / 4
    got = sweep_energy_density(sweep, frequencies)
    assert np.max(np.abs(10 * np.log10(got / expected))) < 0.1


def test_energy_density_carries_the_energy_of_the_signal():
    sweep = Sweep(50, 15000, 2, RATE)
    length = 2 * sweep.sample_count
    grid = np.arange(length) * RATE / length
    two_sided = sweep_energy_density(sweep, np.minimum(grid, RATE - grid))
    energy_s = np.sum(sweep_signal(sweep) ** 2) / RATE
    assert np.sum(two_sided) * RATE / length == pytest.approx(energy_s, rel=1e-3)


@pytest.mark.parametrize(
    ("band_hz", "duration_s", "response_band_hz"),
    [
        ((15, 250), 3, (25, 200)),
        ((60, 4000), 3, (80, 3000)),
        ((1500, 20000), 3, (1500, 18000)),
        ((20, 20000), 3, (30, 18000)),
        ((15, 250), 1.5, (20, 230)),
        ((40, 20000), 0.8, (50, 18000)),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_recovers_the_truth_without_noise(band_hz, duration_s, response_band_hz, seed):
    sweep = Sweep(*band_hz, duration_s, RATE)
    truth = room_response(seed, *response_band_hz)
    recorded, zero_s = through(sweep, truth)
    result = deconvolve(recorded, sweep, time_zero_s=zero_s)
    length = 2**18
    frequencies = scipy.fft.rfftfreq(length, 1 / RATE)
    low, high = result.valid_band_hz
    inside = (frequencies >= low) & (frequencies <= high)
    got = result.linear.response(length).values[inside]
    expected = scipy.fft.rfft(truth, length)[inside]
    error = np.sum(np.abs(got - expected) ** 2) / np.sum(np.abs(expected) ** 2)
    # In a zero of the response there is no level to be right about.
    heard = np.abs(expected) > 0.03 * np.abs(expected).max()
    ratio = got[heard] / expected[heard]
    level_db = np.max(np.abs(20 * np.log10(np.abs(ratio))))
    angle_deg = np.max(np.abs(np.degrees(np.angle(ratio))))
    print(
        f"{low:.1f} to {high:.0f} Hz in {duration_s} s: within {level_db:.4f} dB "
        f"and {angle_deg:.3f} degrees"
    )
    assert 10 * np.log10(error) < -75
    # Wanted: 0.02 dB and 0.2 degrees over the stated band.
    assert level_db < 0.02
    assert angle_deg < 0.2


def test_a_hurried_sweep_states_a_narrower_band():
    slow, fast = Sweep(20, 20000, 3, RATE), Sweep(20, 20000, 0.8, RATE)
    assert slow.valid_band_hz[0] == pytest.approx(20 * 2**0.25)
    assert slow.valid_band_hz[0] < fast.valid_band_hz[0] < 70
    woofer = Sweep(15, 250, 0.5, RATE)
    assert woofer.valid_band_hz[1] < 250 * 2 ** (-1 / 12) - 10


def test_fractional_time_zero_is_exact():
    sweep = Sweep(100, 15000, 1, RATE)
    recorded = np.pad(sweep_signal(sweep), (12000, 24000))
    whole = deconvolve(recorded, sweep, time_zero_s=12000 / RATE)
    between = deconvolve(recorded, sweep, time_zero_s=12000.37 / RATE)
    frequencies = np.geomspace(150, 12000, 50)
    expected = whole.linear.response_at(frequencies).delayed(-0.37 / RATE)
    got = between.linear.response_at(frequencies)
    assert np.max(np.abs(got.values - expected.values)) < 1e-5


def test_without_time_zero_the_strongest_point_is_zero():
    sweep = Sweep(100, 15000, 1, RATE)
    recorded = -np.pad(sweep_signal(sweep), (12345, 24000))
    result = deconvolve(recorded, sweep)
    assert result.time_zero_s == pytest.approx(12345 / RATE)
    times = result.linear.times_s
    assert times[np.argmax(np.abs(result.linear.samples))] == pytest.approx(0, abs=1e-9)


def test_distortion_oracle():
    # Chebyshev identities for y = x + a2 x^2 + a3 x^3 with a unit sine:
    # |H1| = 1 + 3 a3 / 4, |H2| = a2 / 2 (phase -90 deg), |H3| = a3 / 4 (180 deg).
    sweep = Sweep(100, 10000, 5, RATE)
    played = np.pad(sweep_signal(sweep), (RATE, RATE))
    distorted = played + 0.1 * played**2 + 0.2 * played**3
    result = deconvolve(distorted, sweep, time_zero_s=1.0)
    frequencies = np.array([1000.0, 2000, 4000])
    first = result.linear.response_at(frequencies).values
    second = result.harmonics[0].response_at(frequencies).values
    third = result.harmonics[1].response_at(frequencies).values
    np.testing.assert_allclose(np.abs(first), 1.15, rtol=0.002)
    np.testing.assert_allclose(np.abs(second), 0.05, rtol=0.01)
    np.testing.assert_allclose(np.abs(third), 0.05, rtol=0.01)
    np.testing.assert_allclose(np.degrees(np.angle(second)), -90, atol=1)
    np.testing.assert_allclose(np.abs(np.degrees(np.angle(third))), 180, atol=1)
    distortion = np.hypot(np.abs(second), np.abs(third)) / np.abs(first)
    np.testing.assert_allclose(distortion, 0.061488, rtol=0.01)
    fourth = result.harmonics[2].response_at(frequencies).values
    assert np.max(np.abs(fourth)) < 1e-3


def test_orders_beyond_the_band_are_left_out():
    recorded = np.zeros(3 * RATE)
    sweep = Sweep(100, 250, 1, RATE)
    assert len(deconvolve(recorded, sweep, time_zero_s=0.5).harmonics) == 1


def test_outside_the_band_nothing_is_left():
    sweep = Sweep(200, 5000, 1, RATE)
    random = np.random.default_rng(3)
    result = deconvolve(random.standard_normal(3 * RATE), sweep, time_zero_s=0.5)
    response = result.linear.response()
    inside = band_gain(sweep, response.frequencies_hz) > 0
    outside = (response.frequencies_hz < 100) | (response.frequencies_hz > 5200)
    power = np.abs(response.values) ** 2
    assert power[outside].max() < 1e-4 * np.median(power[inside])


def test_leading_axes_are_kept_and_rows_are_independent():
    sweep = Sweep(100, 10000, 1, RATE)
    random = np.random.default_rng(0)
    recorded = random.standard_normal((2, 3, 2 * RATE))
    zero_s = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.123456]])
    together = deconvolve(recorded, sweep, zero_s)
    assert together.linear.samples.shape[:-1] == (2, 3)
    alone = deconvolve(recorded[1, 2], sweep, zero_s[1, 2])
    np.testing.assert_array_equal(together.linear.samples[1, 2], alone.linear.samples)


def test_deconvolution_is_linear():
    sweep = Sweep(100, 10000, 1, RATE)
    random = np.random.default_rng(1)
    one, two = random.standard_normal((2, 2 * RATE))
    mixed = deconvolve(2 * one - 3 * two, sweep, 0.3).linear.samples
    parts = (
        2 * deconvolve(one, sweep, 0.3).linear.samples
        - 3 * deconvolve(two, sweep, 0.3).linear.samples
    )
    np.testing.assert_allclose(mixed, parts, atol=1e-9 * np.abs(mixed).max())


def test_spectrum_is_shared_and_read_only():
    spectrum = sweep_spectrum(Sweep(100, 10000, 1, RATE), 2**17)
    assert not spectrum.flags.writeable


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ((0, 100, 1, RATE), "does not fit"),
        ((200, 100, 1, RATE), "does not fit"),
        ((100, 30000, 1, RATE), "does not fit"),
        ((10, 20000, 0.1, RATE), "too short"),
    ],
)
def test_impossible_sweeps_are_refused(arguments, text):
    with pytest.raises(ValueError, match=text):
        Sweep(*arguments)


def test_recording_shorter_than_the_sweep_is_refused():
    sweep = Sweep(100, 10000, 1, RATE)
    with pytest.raises(ValueError, match="cannot hold"):
        deconvolve(np.zeros(1000), sweep)
