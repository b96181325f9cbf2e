"""Taps against closed forms and scipy's filters."""

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from roomtune.advisor.fir_design import designed_taps, excess_phase_rad, lowest_hz, turns_faded

RATE = 48000.0
GRID = np.geomspace(2.0, 23500.0, 400)


def bump_db(frequencies_hz, gain_db=4.0, centre_hz=1200.0):
    """A smooth rise, an octave wide."""
    return gain_db * np.exp(-(np.log2(frequencies_hz / centre_hz) ** 2) / 0.5)


def response(taps, frequencies_hz, lead=0):
    turns = np.exp(-2j * np.pi * np.outer(frequencies_hz, np.arange(len(taps)) - lead) / RATE)
    return turns @ taps


def crossover_sum(frequency_hz, frequencies_hz):
    """Low and high pass of fourth order, each a Butterworth filter twice (scipy), added."""
    low, high = (
        sosfreqz(butter(2, frequency_hz, kind, fs=RATE, output="sos"), frequencies_hz, fs=RATE)[1]
        for kind in ("lowpass", "highpass")
    )
    return low**2 + high**2


def test_the_level_is_reached_where_the_taps_resolve_it():
    taps = designed_taps(GRID, bump_db(GRID), np.zeros(len(GRID)), 1024, RATE)
    here = GRID[(lowest_hz(1024, RATE) <= GRID) & (GRID <= 20e3)]
    error = 20 * np.log10(np.abs(response(taps, here))) - bump_db(here)
    assert np.abs(error).max() < 0.05


def test_without_extra_phase_the_taps_are_of_minimum_phase():
    # All zeros inside the unit circle (Oppenheim and Schafer, chapter 5)
    taps = designed_taps(GRID, bump_db(GRID, -5.0, 4000.0), np.zeros(len(GRID)), 128, RATE)
    assert np.abs(np.roots(taps)).max() < 1.0


def test_the_excess_phase_of_a_crossover_is_that_of_its_all_pass():
    # Both halves in phase make an all-pass of second order: one turn, half of it at the crossover
    found = excess_phase_rad(GRID, crossover_sum(1000.0, GRID))
    whole = np.unwrap(np.angle(crossover_sum(1000.0, GRID)))
    inside = (GRID > 20) & (GRID < 15e3)
    np.testing.assert_allclose(found[inside], whole[inside] - whole[-1], atol=0.02)
    assert found[np.argmin(np.abs(GRID - 1000))] == pytest.approx(np.pi, abs=0.05)
    assert found[0] == pytest.approx(2 * np.pi, abs=0.02)


def test_a_pure_level_has_no_excess_phase():
    taps = designed_taps(GRID, bump_db(GRID), np.zeros(len(GRID)), 2048, RATE)
    found = excess_phase_rad(GRID, response(taps, GRID))
    assert np.abs(found[GRID > 50]).max() < 0.02


def undoing(reach):
    lead, low = 240, lowest_hz(1024, RATE)
    turned = excess_phase_rad(GRID, crossover_sum(1800.0, GRID))
    phase = -turns_faded(GRID, turned, low, 17e3)
    taps = designed_taps(GRID, np.zeros(len(GRID)), phase, 1024, RATE, lead, reach)
    here = GRID[(2 * low < GRID) & (GRID < 10e3)]
    left = np.angle(crossover_sum(1800.0, here) * response(taps, here, lead))
    return taps, np.degrees(np.sqrt(np.mean(left**2)))


def test_taps_before_the_peak_undo_a_crossover():
    _, left = undoing(240)
    assert left < 4.0
    _, turned = undoing(0)
    assert turned > 50.0


def test_only_the_reach_before_the_peak_is_used():
    taps, _ = undoing(100)
    assert np.all(taps[:140] == 0)
    assert np.any(taps[140:240] != 0)


def test_a_lead_beyond_half_of_the_taps_is_refused():
    with pytest.raises(ValueError, match="at most half"):
        designed_taps(GRID, np.zeros(len(GRID)), np.zeros(len(GRID)), 100, RATE, 60)
