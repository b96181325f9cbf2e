"""Levels against hand-worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.levels import band_level_db, in_pascal
from roomtune.signal.values import FrequencyResponse, ImpulseResponse


def test_level_of_a_flat_band_is_its_gain():
    frequencies = np.linspace(0, 24000, 4801)
    response = FrequencyResponse(frequencies, np.array([[1.0], [10.0]]) * np.ones(4801))
    assert band_level_db(response, (500, 2000)) == pytest.approx([0, 20], abs=1e-9)
    # A weighting is 0 dB at 1 kHz and -19.1 dB at 100 Hz (IEC 61672-1 Table 3)
    assert band_level_db(response, (99, 101), "A")[0] == pytest.approx(-19.1, abs=0.1)
    with pytest.raises(ValueError, match="no band"):
        band_level_db(response, (2000, 500))


def test_one_pascal_is_94_decibels():
    # 94 dB are recorded at a root mean square of -26 dB re 1; so is a full-scale sine here
    recorded = ImpulseResponse([np.sqrt(2) * 10 ** (-26 / 20)], 48000.0)
    pascal = in_pascal(recorded, -26.0)
    assert pascal.unit == "Pa"
    root_mean_square = np.abs(pascal.response_at(np.array([100.0, 1000.0])).values) / np.sqrt(2)
    assert 20 * np.log10(root_mean_square / 20e-6) == pytest.approx(93.979, abs=1e-3)
    with pytest.raises(ValueError, match="already"):
        in_pascal(pascal, -26.0)
