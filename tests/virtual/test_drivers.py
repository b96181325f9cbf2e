"""Drivers and microphone against published tables and closed forms."""

from __future__ import annotations

import csv
import pathlib

import numpy as np
import pytest

from roomtune.virtual.drivers import (
    converter_response,
    high_pass,
    low_pass,
    microphone_response,
    pressure_per_full_scale_pa,
    resonance,
)
from roomtune.virtual.scenario import Resonance, TrueMicrophone


def level_db(values: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(values))


def test_sealed_box_follows_the_table(reference_folder: pathlib.Path) -> None:
    """R. H. Small, JAES 20, 798-808 (1972): reference/sealed_box.csv."""
    rows = list(csv.DictReader((reference_folder / "sealed_box.csv").read_text().splitlines()))
    assert len(rows) == 10
    for row in rows:
        q, corner = float(row["Qtc"]), 50.0
        at_f3 = high_pass(np.array([float(row["F3_over_fc"]) * corner]), corner, q)
        assert level_db(at_f3)[0] == pytest.approx(-3.0103, abs=1e-4)
        at_fc = level_db(high_pass(np.array([corner]), corner, q))[0]
        assert at_fc == pytest.approx(float(row["level_at_fc_dB"]), abs=1e-6)
        if row["peak_dB"]:
            peak = high_pass(np.array([float(row["peak_f_over_fc"]) * corner]), corner, q)
            assert level_db(peak)[0] == pytest.approx(float(row["peak_dB"]), abs=1e-6)


@pytest.mark.parametrize("order", range(1, 9))
def test_roll_off_is_butterworth(order: int) -> None:
    ratio = np.array([0.01, 1.0, 10.0])
    expected = -10 * np.log10(1 + ratio ** (2 * order))
    np.testing.assert_allclose(level_db(low_pass(ratio * 3000, 3000, order)), expected, atol=1e-9)


@pytest.mark.parametrize("gain_db", [-7.0, 5.5])
def test_resonance_reaches_its_gain_and_dies_away(gain_db: float) -> None:
    item = Resonance(frequency_hz=900.0, q=3.0, gain_db=gain_db)
    at = resonance(np.array([0.9, 900.0, 900e3]), item)
    np.testing.assert_allclose(level_db(at), [0, gain_db, 0], atol=1e-3)


def test_sensitivity_is_the_level_of_a_sine_of_2v83_at_one_metre() -> None:
    """A sine of digital full scale and 2.83 V gives the data sheet's level."""
    peak_pa = pressure_per_full_scale_pa(88.0, np.sqrt(8))
    assert 20 * np.log10(peak_pa / np.sqrt(2) / 20e-6) == pytest.approx(88.0)
    louder = pressure_per_full_scale_pa(88.0, 10 * np.sqrt(8))
    assert louder / peak_pa == pytest.approx(10)


def test_microphone_is_flat_but_for_what_it_was_given() -> None:
    plain = microphone_response(TrueMicrophone(), np.array([200.0, 1000.0]))
    np.testing.assert_allclose(level_db(plain), 0, atol=0.02)


def test_converters_pass_the_audio_band_and_stop_below_half_the_rate() -> None:
    frequencies = np.array([0.0, 20000.0, 23600.0, 24000.0])
    np.testing.assert_allclose(converter_response(frequencies, 48000.0), [1, 1, 0, 0], atol=1e-12)
