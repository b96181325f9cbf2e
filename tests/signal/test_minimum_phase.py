"""Minimum phase against filters whose phase is known."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.signal.minimum_phase import (
    minimum_phase_on_log_grid,
    minimum_phase_response,
    minimum_phase_spectrum,
)

GRID = np.geomspace(1, 1e5, 2001)
S = 1j * GRID / 1000


@pytest.mark.parametrize(
    ("response", "ends", "tolerance"),
    [
        (1 / (1 + S), (0, -1), 1e-4),
        (S / (1 + S), (1, 0), 1e-4),
        (S**2 / (1 + 1.414 * S + S**2) / (1 + S), (2, -1), 1e-3),
        ((1 + S / 5) / (1 + S), "hold", 1.5e-2),
        ((1 + 0.3 * S + S**2) / (1 + 0.1 * S + S**2), "hold", 1e-3),
    ],
)
def test_phase_of_analog_filters(response, ends, tolerance):
    found = minimum_phase_response(GRID, np.abs(response), ends)
    assert np.abs(found) == pytest.approx(np.abs(response), rel=1e-12)
    assert np.max(np.abs(np.angle(found / response))) < tolerance


def test_continued_slopes_complete_a_band_pass():
    band = (GRID > 10) & (GRID < 2e4)
    response = (S**2 / (0.01 + 0.14 * S + S**2) / (1 + S))[band]
    found = minimum_phase_response(GRID[band], np.abs(response), "continue")
    assert np.max(np.abs(np.angle(found / response))) < 0.02


def test_even_log_grid_equals_any_grid():
    level = np.log(np.abs((1 + S / 5) / (1 + S)))
    magnitudes = np.exp(np.stack([level, -level]))
    expected = np.angle(minimum_phase_response(GRID, magnitudes))
    found = minimum_phase_on_log_grid(np.stack([level, -level]), np.log(GRID[1] / GRID[0]))
    assert found == pytest.approx(expected, abs=1e-12)


def test_any_grid_will_do():
    rng = np.random.default_rng(0)
    grid = np.sort(np.exp(rng.uniform(np.log(1), np.log(1e5), 2000)))
    response = 1 / (1 + 1j * grid / 800)
    found = minimum_phase_response(grid, np.abs(response), (0, -1))
    assert np.max(np.abs(np.angle(found / response))) < 2e-3


def test_sampled_spectrum_of_a_minimum_phase_filter():
    import scipy.signal

    sections = scipy.signal.butter(3, [0.02, 0.4], "band", output="sos")
    zeros, poles, gain = scipy.signal.sos2zpk(sections)
    sections = scipy.signal.zpk2sos(0.97 * zeros, poles, gain)
    impulse = np.zeros(1 << 14)
    impulse[0] = 1
    samples = scipy.signal.sosfilt(sections, impulse)
    spectrum = np.fft.rfft(samples)
    assert minimum_phase_spectrum(np.abs(spectrum)) == pytest.approx(spectrum, abs=1e-9)


def test_leading_axes_and_refusals():
    magnitudes = np.ones((2, 3, len(GRID)))
    assert minimum_phase_response(GRID, magnitudes).shape == magnitudes.shape
    with pytest.raises(ValueError, match="positive"):
        minimum_phase_response(GRID, np.zeros(len(GRID)))
    with pytest.raises(ValueError, match="rise"):
        minimum_phase_response(GRID[::-1], np.ones(len(GRID)))
