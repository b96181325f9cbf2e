"""Distortion of orders 2 to 9, told apart by one sweep."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import chebyshev

from roomtune.analysis.distortion import distortion
from roomtune.signal.deconvolution import deconvolve
from roomtune.signal.sweeps import KEPT_ORDER, Sweep, sweep_signal

AMPLITUDES = {order: 10 ** (-(30 + 2 * order) / 20) for order in range(2, 10)}


@pytest.mark.parametrize("duration_s", [1.5, 4.0])
def test_chebyshev_polynomials_make_one_harmonic_each(duration_s):
    """T_n of a unit sine is its n-th harmonic and nothing else, so each amplitude is known."""
    sweep = Sweep(30.0, 5000.0, duration_s, 48000.0)
    signal = np.concatenate([np.zeros(4800), sweep_signal(sweep), np.zeros(24000)])
    series = np.zeros(10)
    series[1] = 1
    for order, amplitude in AMPLITUDES.items():
        series[order] = amplitude
    bent = chebyshev.chebval(signal, series) - chebyshev.chebval(0.0, series)
    found = deconvolve(bent, sweep, 0.1, tail_s=0.5, highest_order=KEPT_ORDER)
    assert len(found.harmonics) == 8
    frequencies = np.geomspace(100, 500, 30)
    result = distortion(found.linear, found.harmonics, frequencies, sweep.valid_band_hz)
    expected = 20 * np.log10([AMPLITUDES[order] for order in range(2, 10)])
    assert np.max(np.abs(result.harmonics_db - expected[:, None])) < 0.3
    # a doubling above, where the fade at the sweep's start is far away
    assert np.max(np.abs(result.harmonics_db - expected[:, None])[:, frequencies > 250]) < 0.02
    total = 10 * np.log10(np.sum(10 ** (expected / 10)))
    assert result.total_db == pytest.approx(total, abs=0.05)


def test_a_short_sweep_keeps_only_the_orders_that_it_can_tell_apart():
    sweep = Sweep(1000.0, 20e3, 0.15, 48000.0)
    signal = np.concatenate([sweep_signal(sweep), np.zeros(4800)])
    found = deconvolve(signal, sweep, 0.0, tail_s=0.05, highest_order=KEPT_ORDER)
    assert 2 <= len(found.harmonics) < 8
