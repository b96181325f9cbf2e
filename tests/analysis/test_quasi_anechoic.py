"""Gating and joining against a loudspeaker that is known."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.quasi_anechoic import (
    join_near_and_far,
    path_to_first_reflection_s,
    quasi_anechoic,
)
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

RATE = 48000.0
COUNT = 1 << 14
GRID = np.fft.rfftfreq(COUNT, 1 / RATE)


def loudspeaker(frequencies):
    s = 1j * frequencies
    return s**2 / (s**2 + 1.2 * 60 * s + 3600) / (1 + s / 9000)


def test_gate_keeps_the_loudspeaker_and_states_its_limit():
    arrival, reflection = 0.008, 0.013
    flight = np.exp(-2j * np.pi * GRID * arrival)
    room = 1 + 0.7 * np.exp(-2j * np.pi * GRID * (reflection - arrival))
    response = ImpulseResponse(np.fft.irfft(loudspeaker(GRID) * flight * room), RATE)
    found = quasi_anechoic(response, arrival, reflection)
    assert found.lowest_valid_hz == pytest.approx(200)
    above = (found.response.frequencies_hz > 600) & (found.response.frequencies_hz < 15e3)
    expected = loudspeaker(found.response.frequencies_hz[above])
    error_db = found.response.magnitude_db[above] - 20 * np.log10(np.abs(expected))
    assert np.max(np.abs(error_db)) < 0.5
    with pytest.raises(ValueError, match="after the arrival"):
        quasi_anechoic(response, 0.01, 0.01)


def test_the_floor_is_the_first_to_reflect():
    """Loudspeaker and ear 1 m above the floor, 2 m apart: the way is 2 sqrt(2) m long."""
    found = path_to_first_reflection_s((6, 5, 2.5), (2, 2.5, 1), (4, 2.5, 1), speed_m_s=343.2)
    assert found == pytest.approx((2 * np.sqrt(2) - 2) / 343.2)


def test_near_field_below_far_field_above():
    frequencies = np.geomspace(20, 10e3, 1500)
    truth = loudspeaker(frequencies)
    near = FrequencyResponse(frequencies, 5.0 * truth / (1 + (frequencies / 1500) ** 4))
    room = 1 + 0.8 * np.exp(-2j * np.pi * frequencies * 0.02) / (1 + (frequencies / 120) ** 4)
    far = FrequencyResponse(frequencies, 0.1 * truth * room).delayed(0.006)
    joined = join_near_and_far(near, far, 400.0)
    error = joined.values / (0.1 * truth * np.exp(-2j * np.pi * frequencies * 0.006))
    assert np.max(np.abs(20 * np.log10(np.abs(error)))) < 0.2
    assert np.max(np.abs(np.angle(error))) < 0.1
    with pytest.raises(ValueError, match="same frequencies"):
        join_near_and_far(near, FrequencyResponse(frequencies * 2, truth), 400.0)
