"""Windows against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.signal.values import ImpulseResponse
from roomtune.signal.windows import (
    cropped,
    frequency_dependent_window,
    lowest_valid_hz,
    windowed,
)

RATE = 48000.0


def impulse(*places, length=4800, start_s=-0.01):
    samples = np.zeros(length)
    for place in places:
        samples[place] = 1.0
    return ImpulseResponse(samples, RATE, start_s)


def test_window_keeps_inside_and_clears_outside():
    flat = ImpulseResponse(np.ones((2, 4800)), RATE, -0.01)
    seen = windowed(flat, 0.0, 0.02, 0.001, 0.005)
    times = flat.times_s
    assert np.all(seen.samples[:, (times < 0) | (times > 0.02)] == 0)
    inside = (times > 0.0011) & (times < 0.0149)
    assert np.all(seen.samples[:, inside] == 1)
    half = np.argmin(np.abs(times - 0.0175))
    assert seen.samples[0, half] == pytest.approx(0.5, abs=1e-9)
    with pytest.raises(ValueError, match="fades"):
        windowed(flat, 0.0, 0.001, 0.001, 0.001)


def test_crop_keeps_the_time_axis_and_fills_with_zeros():
    response = impulse(480)
    part = cropped(response, -0.02, 0.001)
    assert part.start_s == pytest.approx(-0.02)
    assert part.samples.shape == (1009,)
    assert part.times_s[np.argmax(part.samples)] == pytest.approx(0.0, abs=1e-12)
    assert np.all(cropped(response, 5.0, 5.001).samples == 0)
    assert np.all(cropped(response, -5.0, -4.999).samples == 0)
    with pytest.raises(ValueError, match="no sample"):
        cropped(response, 0.1, 0.05)


def test_lowest_valid_frequency_is_one_cycle():
    assert lowest_valid_hz(0.004) == 250.0


def test_constant_cycles_let_a_reflection_in_where_the_window_is_long():
    # direct sound at 0, reflection 1 ms later: 4 cycles reach it below 4 kHz only
    response = impulse(480, 528)
    frequencies = np.array([250.0, 500.0, 1000.0, 4001.0, 8000.0])
    seen = frequency_dependent_window(response, frequencies, 4.0, 0.0)
    weight = 0.5 + 0.5 * np.cos(np.pi * np.minimum(1e-3 * frequencies / 4, 1))
    expected = 1 + weight * np.exp(-2j * np.pi * frequencies * 1e-3)
    assert seen.values == pytest.approx(expected, abs=1e-9)


def test_constant_cycles_keep_the_delay_of_a_pure_impulse():
    response = ImpulseResponse(np.stack([impulse(960).samples] * 3), RATE, 0.5)
    frequencies = np.geomspace(50, 15e3, 40)
    seen = frequency_dependent_window(response, frequencies, 6, 0.52, longest_s=0.01)
    assert seen.values == pytest.approx(
        np.broadcast_to(np.exp(-2j * np.pi * frequencies * 0.52), (3, 40)), abs=1e-9
    )
