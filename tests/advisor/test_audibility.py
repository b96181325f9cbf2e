"""The weight of a deviation against published points."""

import numpy as np
import pytest

from roomtune.advisor.audibility import audibility, ear_bandwidth_hz


def test_the_ear_band_at_1_khz():
    # Glasberg and Moore 1990: 132.6 Hz at 1 kHz, 24.7 (4.37 + 1)
    assert float(ear_bandwidth_hz(1000.0)) == pytest.approx(132.64, abs=0.01)


def test_the_bass_counts_less_and_nothing_more_than_1_khz():
    weight = audibility([30.0, 50.0, 100.0, 200.0, 1000.0, 4000.0, 16000.0])
    assert np.all(np.diff(weight[:4]) > 0)
    assert weight.max() <= 1.0
    assert weight[4] == pytest.approx(1.0, abs=0.02)
    # 50 Hz: 1.66 ear bands to an octave instead of 7.54, loudness growing 1.73 times as fast
    assert weight[1] == pytest.approx(1.661 / 7.539 * (0.432 / 0.25) ** 2, rel=0.01)
