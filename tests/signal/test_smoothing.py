"""Smoothing against its definition, written out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.signal.smoothing import ear_bandwidth_hz, smooth_complex, smooth_power_db
from roomtune.signal.values import FrequencyResponse


def by_definition(frequencies, values, half_width):
    """Each bin holds over its cell; the window is rectangular in log frequency."""
    step = frequencies[1] - frequencies[0]
    low = np.log(np.maximum(frequencies - step / 2, 1e-300))
    high = np.log(frequencies + step / 2)
    low[0], result = np.log(frequencies[0] - step / 2), np.empty(values.shape, values.dtype)
    for place, frequency in enumerate(frequencies):
        left, right = (
            np.log(frequency) - half_width(frequency),
            np.log(frequency) + half_width(frequency),
        )
        left, right = max(left, low[0]), min(right, high[-1])
        overlap = np.maximum(np.minimum(high, right) - np.maximum(low, left), 0)
        result[..., place] = (values * overlap).sum(axis=-1) / overlap.sum()
    return result


@pytest.fixture(scope="module")
def response():
    rng = np.random.default_rng(1)
    frequencies = np.arange(1, 1500) * 16.0
    values = rng.normal(size=(2, 1499)) + 1j * rng.normal(size=(2, 1499))
    return FrequencyResponse(frequencies, values)


@pytest.mark.parametrize("fraction", [1, 3, 6, 12, 24, 48])
def test_power_smoothing_is_its_definition(response, fraction):
    expected = by_definition(
        response.frequencies_hz, np.abs(response.values) ** 2, lambda f: np.log(2) / 2 / fraction
    )
    power = 10 ** (smooth_power_db(response, fraction) / 10)
    assert power == pytest.approx(expected, rel=1e-10, abs=0)


def test_complex_smoothing_is_its_definition_about_the_reference(response):
    delay = 3e-3
    centred = response.values * np.exp(2j * np.pi * response.frequencies_hz * delay)
    expected = by_definition(response.frequencies_hz, centred, lambda f: np.log(2) / 12)
    expected = expected * np.exp(-2j * np.pi * response.frequencies_hz * delay)
    assert smooth_complex(response, 6, delay).values == pytest.approx(expected, abs=1e-10)


def test_ear_smoothing_is_one_bandwidth_wide(response):
    expected = by_definition(
        response.frequencies_hz,
        np.abs(response.values) ** 2,
        lambda f: np.arcsinh(ear_bandwidth_hz(f) / 2 / f),
    )
    assert smooth_power_db(response, "ear") == pytest.approx(10 * np.log10(expected), abs=1e-9)
    # Glasberg and Moore 1990: 132.6 Hz at 1 kHz
    assert ear_bandwidth_hz(1000.0) == pytest.approx(132.639)


def test_a_pure_delay_survives_complex_smoothing_about_it(response):
    flat = FrequencyResponse(response.frequencies_hz, np.ones(1499)).delayed(0.01)
    assert smooth_complex(flat, 3, 0.01).values == pytest.approx(flat.values, abs=1e-12)


def test_zero_frequency_stays_itself():
    frequencies = np.arange(100) * 10.0
    response = FrequencyResponse(frequencies, np.r_[5.0, np.ones(99)])
    level = smooth_power_db(response, 3)
    assert level[0] == pytest.approx(20 * np.log10(5))
    assert level[1:] == pytest.approx(0, abs=1e-12)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.floats(0.3, 100), st.floats(-40, 40))
def test_a_constant_stays_constant(fraction, level_db):
    response = FrequencyResponse(np.geomspace(10, 1e4, 300), np.full(300, 10 ** (level_db / 20)))
    assert smooth_power_db(response, fraction) == pytest.approx(level_db, abs=1e-9)


def test_senseless_fractions_are_refused(response):
    with pytest.raises(ValueError, match="fraction"):
        smooth_power_db(response, 0)
