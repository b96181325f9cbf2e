"""Noise ratings against the published tables and book examples."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from roomtune.analysis.noise_criteria import (
    BANDS_HZ,
    curve_db,
    octave_levels_db,
    rate_noise,
)
from roomtune.signal.values import NoiseSpectrum

OCTAVES = [63, 125, 250, 500, 1000, 2000, 4000, 8000]


def test_every_tabulated_nc_curve_is_itself(reference_folder):
    with (reference_folder / "nc_curves.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["edition"] == "ANSI/ASA S12.2-2019"]
    assert len(rows) == 6
    for row in rows:
        number = int(row["curve"].removeprefix("NC-"))
        levels = [float(row[f"{hz:g}_Hz"]) for hz in BANDS_HZ]
        assert curve_db(number) == pytest.approx(levels)
        rated = rate_noise(levels, BANDS_HZ)
        assert rated.rating == pytest.approx(number)
        assert rated.curve == number


def test_nr_formula_and_integer_table(reference_folder):
    with (reference_folder / "nr_curves.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["curve"].startswith("NR-")]
    for row in rows:
        number = int(row["curve"].removeprefix("NR-"))
        levels = [float(row[f"{hz:g}_Hz"]) for hz in BANDS_HZ[1:]]
        tolerance = 0.01 if row["kind"] == "formula" else 0.55
        assert curve_db(number, "NR")[1:] == pytest.approx(levels, abs=tolerance)
        assert rate_noise(levels, BANDS_HZ[1:], "NR").rating == pytest.approx(number, abs=0.85)


def test_book_examples():
    # Aviles and Perera, ex. 8.3: NC-30 by tangency, about 27 between the curves
    first = rate_noise([46, 44, 38, 31, 27, 22, 24, 21], OCTAVES)
    assert first.curve == 30
    assert first.rating == pytest.approx(27, abs=0.7)
    # Long 2014, Table 14.9: meets NC 30
    assert rate_noise([55, 45, 32, 26, 23, 25, 22, 12], OCTAVES).curve == 30


def test_beyond_the_table_and_unknown_bands():
    loud = rate_noise([80.0], [1000.0])
    assert loud.curve is None
    assert "beyond the table" in str(loud)
    assert rate_noise([np.nan, 20.0], [500.0, 1000.0]).deciding_hz == 1000.0
    with pytest.raises(ValueError, match="rated"):
        rate_noise([30.0], [20e3])
    with pytest.raises(ValueError, match="NC or NR"):
        rate_noise([30.0], [1000.0], "RC")


def test_octave_levels_of_white_noise():
    # two-sided density d: octave at 1 kHz holds 2 d (f2 - f1)
    density = 1e-10
    noise = NoiseSpectrum(np.linspace(0, 24e3, 1 << 15), np.full(1 << 15, density))
    centres, levels = octave_levels_db(noise)
    width = 1000 * (10**0.15 - 10**-0.15)
    expected = 10 * np.log10(2 * density * width / 4e-10)
    assert levels[list(np.round(centres)).index(1000)] == pytest.approx(expected, abs=1e-3)
