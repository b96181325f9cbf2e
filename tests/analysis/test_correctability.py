"""Correctability of rooms made of known paths."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.correctability import common_share, correctability
from roomtune.signal.bands import log_frequencies_hz
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

RATE = 8000.0
ARRIVAL_S = 0.01


def seats(paths_per_seat, count=8000, peaks=((70.0, 6.0, 8.0),)):
    """Band-limited direct sound with peaks, then each seat's extra paths (time, gain)."""
    frequencies = np.fft.rfftfreq(2 * count, 1 / RATE)
    s = 1j * np.maximum(frequencies, 1e-9)
    spectrum = s**2 / (s**2 + 1.4 * 20 * s + 400) / (1 + s / 500) ** 2
    for centre, q, gain_db in peaks:
        root = 10 ** (gain_db / 40)
        spectrum *= (s**2 + s * centre * root / q + centre**2) / (
            s**2 + s * centre / root / q + centre**2
        )
    rows = []
    for paths in paths_per_seat:
        room = 1 + sum(g * np.exp(-2j * np.pi * frequencies * t) for t, g in paths)
        flight = np.exp(-2j * np.pi * frequencies * ARRIVAL_S)
        rows.append(np.fft.irfft(spectrum * room * flight)[:count])
    return ImpulseResponse(np.array(rows), RATE)


def at(result, values, frequency_hz):
    return values[..., int(np.argmin(np.abs(result.frequencies_hz - frequency_hz)))]


def test_a_resonance_alike_everywhere_is_correctable():
    result = correctability(seats([(), (), ()]), (30, 300), ARRIVAL_S)
    assert np.min(result.correctable) > 0.95
    assert result.minimum_phase.shape == (3, len(result.frequencies_hz))


def test_weak_reflections_stay_minimum_phase_and_strong_ones_do_not():
    # 1 + g e^{-jwt} is of minimum phase for |g| < 1 and not for |g| > 1
    weak = correctability(seats([[(0.004, 0.8)]] * 2), (30, 300), ARRIVAL_S)
    strong = correctability(seats([[(0.004, 1.25)]] * 2), (30, 300), ARRIVAL_S)
    notch = 125.0  # half a period is 4 ms
    assert at(weak, weak.minimum_phase, notch)[0] > 0.8
    assert at(strong, strong.minimum_phase, notch)[0] < 0.5
    assert at(strong, strong.common, notch) > 0.9
    assert at(strong, strong.correctable, notch) < 0.5


def test_a_private_dip_is_not_common():
    private = [[(1 / 2 / f, 0.8)] for f in (60.0, 85.0, 125.0, 180.0)]
    result = correctability(seats(private, peaks=((40.0, 5.0, 9.0),)), (25, 300), ARRIVAL_S)
    assert at(result, result.common, 40.0) > 0.85
    assert at(result, result.common, 125.0) < 0.5
    assert at(result, result.common, 180.0) < 0.5


def test_weights_decide_whose_dip_counts():
    response = seats([(), [(0.004, 0.8)]])
    ignored = correctability(response, (60, 300), ARRIVAL_S, weights=[1.0, 0.0])
    assert at(ignored, ignored.common, 125.0) == pytest.approx(1.0)
    shared = correctability(response, (60, 300), ARRIVAL_S)
    assert at(shared, shared.common, 125.0) < 0.75


def test_flat_seats_agree():
    frequencies = log_frequencies_hz(30, 3000, 48)
    flat = FrequencyResponse(frequencies, np.ones((2, 4, len(frequencies))))
    assert common_share(flat) == pytest.approx(1.0)
