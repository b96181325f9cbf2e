"""Bands against IEC 61260-1 and ISO 266 tables, and closed forms of their power."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.signal.bands import (
    band_centres_hz,
    band_edges_hz,
    band_levels_db,
    band_name,
    log_frequencies_hz,
    noise_band_levels_db,
    nominal_hz,
    octave_centres_hz,
    third_octave_centres_hz,
)
from roomtune.signal.values import FrequencyResponse, NoiseSpectrum


def rows(path):
    with path.open() as file:
        return list(csv.DictReader(file))


def test_thirds_equal_the_published_table(reference_folder):
    table = rows(reference_folder / "iso266_iec61260_thirds.csv")
    centres = third_octave_centres_hz(10, 20e3)
    assert len(centres) == len(table) == 34
    exact = [float(row["exact_midband_Hz"]) for row in table]
    assert centres == pytest.approx(exact, rel=1e-12)
    assert [nominal_hz(c) for c in centres] == [float(row["nominal_Hz"]) for row in table]
    edges = band_edges_hz(centres)
    assert edges[:, 0] == pytest.approx([float(r["lower_edge_Hz"]) for r in table], rel=1e-12)
    assert edges[:, 1] == pytest.approx([float(r["upper_edge_Hz"]) for r in table], rel=1e-12)


def test_octaves_equal_the_published_table(reference_folder):
    table = rows(reference_folder / "iec61260_octaves.csv")
    centres = octave_centres_hz(16, 16e3)
    assert centres == pytest.approx([float(r["exact_midband_Hz"]) for r in table], rel=1e-12)
    assert [nominal_hz(c, 1) for c in centres] == [float(r["nominal_Hz"]) for r in table]


def test_even_fractions_straddle_one_kilohertz():
    # IEC 61260-1 formula (3): fm = 1000 G^((2x+1)/(2b)) for even b
    assert band_centres_hz(700, 1400, 2) == pytest.approx(
        1000 * 10 ** (0.3 * np.array([-0.25, 0.25]))
    )


def test_nominal_names_follow_the_annex_for_narrow_bands():
    # IEC 61260-1 Annex E.3.4, b = 24
    assert nominal_hz(41.567, 24) == pytest.approx(41.6)
    assert nominal_hz(8785.2, 24) == pytest.approx(8800)
    assert band_name(31.6227766) == "31.5 Hz"
    assert band_name(1258.925) == "1.25 kHz"


def test_twenty_to_twenty_thousand_are_31_bands():
    assert len(third_octave_centres_hz(20, 20e3)) == 31


def test_log_grids_of_one_density_share_their_points():
    wide, narrow = log_frequencies_hz(10, 20e3, 24), log_frequencies_hz(77, 900, 24)
    assert np.all(np.isin(narrow, wide))
    assert 1000.0 in wide
    assert np.diff(np.log2(wide)) == pytest.approx(1 / 24)


@pytest.mark.parametrize("limits", [(0, 100), (200, 100), (-1, 5)])
def test_impossible_limits_are_refused(limits):
    with pytest.raises(ValueError, match="no"):
        log_frequencies_hz(*limits, 12)
    with pytest.raises(ValueError, match="no"):
        band_centres_hz(*limits)


@settings(derandomize=True, deadline=None, max_examples=50)
@given(st.floats(-3, 3), st.integers(0, 2))
def test_level_of_a_power_law_has_a_closed_form(slope, grid):
    # |H|^2 = (f / fm)^slope: mean over ln f in [fm/r, fm r] is sinh(a)/a, a = slope ln r
    grids = [
        np.linspace(0, 24000, 1 << 17),
        np.geomspace(5, 24000, 20000),
        np.geomspace(5, 24000, 30000),
    ]
    frequencies = grids[grid]
    values = (np.maximum(frequencies, 1e-3) / 1000) ** (slope / 2)
    level = band_levels_db(FrequencyResponse(frequencies, values), [1000.0])[0]
    reach = slope * np.log(10**0.3) / 6
    expected = np.sinh(reach) / reach if abs(reach) > 1e-9 else 1.0
    assert level == pytest.approx(10 * np.log10(expected), abs=1e-5)


def test_bands_outside_the_grid_are_not_a_number():
    response = FrequencyResponse(np.linspace(100, 1000, 200), np.ones((2, 200)))
    levels = band_levels_db(response, [31.6, 316.0])
    assert np.all(np.isnan(levels[:, 0]))
    assert levels[:, 1] == pytest.approx(0)


def test_white_noise_gains_one_decibel_per_third():
    noise = NoiseSpectrum(np.linspace(0, 24000, 1 << 16), np.full(1 << 16, 0.5e-6))
    centres = third_octave_centres_hz(50, 10e3)
    edges = band_edges_hz(centres)
    expected = 10 * np.log10(1e-6 * (edges[:, 1] - edges[:, 0]))
    assert noise_band_levels_db(noise, centres) == pytest.approx(expected, abs=1e-4)
