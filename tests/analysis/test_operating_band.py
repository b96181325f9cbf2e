"""Ranges of filters whose limits are known."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.distortion import Distortion
from roomtune.analysis.operating_band import (
    extension_hz,
    usable_band_hz,
    working_range_hz,
)
from roomtune.signal.values import FrequencyResponse

FREQUENCIES = np.geomspace(5, 24e3, 6000)


def butterworth(low_hz, high_hz, order=4):
    rise = 1 / np.sqrt(1 + (low_hz / FREQUENCIES) ** (2 * order))
    fall = 1 / np.sqrt(1 + (FREQUENCIES / high_hz) ** (2 * order))
    return rise * fall


def limit(corner_hz, drop_db, order=4):
    """Where a Butterworth high pass is `drop_db` down."""
    return corner_hz * (10 ** (drop_db / 10) - 1) ** (-1 / (2 * order))


def test_working_range_is_not_fooled_by_a_bass_lift():
    lifted = butterworth(30, 3000) * (1 + 5 / (1 + (FREQUENCIES / 60) ** 4))
    found = working_range_hz(FrequencyResponse(FREQUENCIES, lifted), (15, 10e3))
    assert found[0] < 30
    assert found[1] == pytest.approx(9e6 / limit(3000, 10), rel=0.05)


def test_extension_of_a_high_pass():
    response = FrequencyResponse(FREQUENCIES, butterworth(30, 1e6))
    found = extension_hz(response, (80, 200))
    expected = [limit(30, drop) for drop in (3, 6, 10)]
    # third-octave smoothing of a 24 dB per octave slope
    assert found == pytest.approx(expected, rel=0.03)
    flat = FrequencyResponse(FREQUENCIES, np.ones(len(FREQUENCIES)))
    assert np.all(np.isnan(extension_hz(flat, (80, 200))))


def test_noise_and_distortion_narrow_the_band():
    response = FrequencyResponse(FREQUENCIES, butterworth(50, 8000))
    noise = np.where(FREQUENCIES < 200, -5.0, -60.0)
    low, high = usable_band_hz(response, (10, 20e3), noise)
    assert low == pytest.approx(200, rel=0.06)
    bent = np.geomspace(20, 10e3, 200)
    total = np.where(bent > 2000, -10.0, -50.0)
    shape = (1, len(bent))
    measured = Distortion(bent, total[None], total, np.full(shape, -90.0), np.zeros(len(bent)))
    assert usable_band_hz(response, (10, 20e3), noise, measured)[1] == pytest.approx(2000, rel=0.06)
    assert high == pytest.approx(8000**2 / limit(8000, 10), rel=0.05)
    nothing = usable_band_hz(response, (10, 20e3), np.zeros(len(FREQUENCIES)))
    assert np.all(np.isnan(nothing))
