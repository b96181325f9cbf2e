"""Phase, group delay and excess phase against filters with known answers."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from roomtune.analysis.phase import (
    energy_time_curve_db,
    excess_of,
    group_delay_of_s,
    minimum_phase_part,
    seen_from_arrival,
    step_response,
)
from roomtune.signal.bands import log_frequencies_hz
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

RATE = 48000.0


def impulse(place=960, length=1 << 15, start_s=0.0):
    samples = np.zeros(length)
    samples[place] = 1.0
    return ImpulseResponse(samples, RATE, start_s)


def filtered(response, sections):
    return ImpulseResponse(scipy.signal.sosfilt(sections, response.samples), RATE, response.start_s)


def test_group_delay_from_the_phase_of_known_responses():
    """A delay; an all-pass of first order, 2 a / (a^2 + w^2); a resonance, 2 Q / w0 at w0."""
    frequencies = log_frequencies_hz(20, 20e3, 48)
    s = 2j * np.pi * frequencies
    flat = FrequencyResponse(frequencies, np.ones(len(frequencies))).delayed(20e-6)
    assert group_delay_of_s(flat) == pytest.approx(20e-6, abs=1e-12)
    corner = 2 * np.pi * 300
    all_pass = FrequencyResponse(frequencies, (corner - s) / (corner + s))
    expected = 2 * corner / (corner**2 + (2 * np.pi * frequencies) ** 2)
    assert group_delay_of_s(all_pass)[1:-1] == pytest.approx(expected[1:-1], rel=3e-4)
    resonance = 2 * np.pi * 1000
    band_pass = s * resonance / (s**2 + s * resonance / 5 + resonance**2)
    found = group_delay_of_s(FrequencyResponse(frequencies, band_pass))
    assert found[frequencies == 1000.0][0] == pytest.approx(10 / resonance, rel=0.01)


def test_minimum_phase_part_of_a_minimum_phase_response_is_itself():
    frequencies = log_frequencies_hz(5, 30e3, 48)
    s = 1j * frequencies
    response = s**2 / (s**2 + 1.2 * 50 * s + 2500) / (1 + s / 3000)
    part = minimum_phase_part(FrequencyResponse(frequencies, response))
    inside = (frequencies > 20) & (frequencies < 10e3)
    assert np.max(np.abs(np.angle(part.values / response))[inside]) < 0.01


def test_excess_phase_of_an_all_pass_is_the_all_pass():
    # second-order all pass at 500 Hz, Q 1 (W3C Audio EQ Cookbook)
    turn = 2 * np.pi * 500 / RATE
    alpha = np.sin(turn) / 2
    a = np.array([1 + alpha, -2 * np.cos(turn), 1 - alpha])
    sections = np.array([[*(a[::-1] / a[0]), *(a / a[0])]])
    response = filtered(
        impulse(960), scipy.signal.butter(2, [60, 8e3], "band", fs=RATE, output="sos")
    )
    turned = filtered(response, sections)
    excess = excess_of(seen_from_arrival(turned, (150, 3000), 0.02, cycles=24))
    plain = excess_of(seen_from_arrival(response, (150, 3000), 0.02, cycles=24))
    expected = scipy.signal.sosfreqz(sections, excess.frequencies_hz, fs=RATE)[1]
    ratio = excess.values / plain.values / expected
    assert np.max(np.abs(np.angle(ratio))) < 0.12
    # what lies beyond the band bends the excess phase, but slowly: by 2 (60 Hz / f) / pi
    # and 2 (f / 8 kHz) / pi or so per order, nowhere more than 0.1 rad per sixth of an octave
    turns = np.diff(np.unwrap(np.angle(plain.values))[::8])
    assert np.max(np.abs(turns)) < 0.1


def test_step_and_energy_time_curve():
    response = ImpulseResponse(np.stack([impulse(100).samples, -2 * impulse(200).samples]), RATE)
    step = step_response(response).samples
    assert step[0, 99:101].tolist() == [0, 1]
    assert step[1, -1] == -2
    curve = energy_time_curve_db(response)
    assert curve[0, 100] == curve[1, 200] == 0
    # the envelope of a band-limited impulse is found between its zeros too
    tone = np.sin(2 * np.pi * 1000 * np.arange(4800) / RATE) * np.hanning(4800)
    level = energy_time_curve_db(ImpulseResponse(tone, RATE))
    assert level[1200:3600] == pytest.approx(20 * np.log10(np.hanning(4800)[1200:3600]), abs=0.01)
