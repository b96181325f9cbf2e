"""Sealed boxes, efficiency and displacement limit against tables and worked examples."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from roomtune.analysis.driver_data import (
    SealedBox,
    box_volume_l,
    displacement_limit_db,
    efficiency,
    sealed_box,
    sensitivity_db,
)


def test_table_of_alignments(reference_folder):
    # Small 1972
    with (reference_folder / "sealed_box.csv").open() as file:
        for row in csv.DictReader(file):
            box = SealedBox(1.0, float(row["Qtc"]))
            assert box.cutoff_hz == pytest.approx(float(row["F3_over_fc"]), rel=1e-9)
            level = 20 * np.log10(np.abs(box.response(1.0)))
            assert level == pytest.approx(float(row["level_at_fc_dB"]), abs=1e-6)
            cut = 20 * np.log10(np.abs(box.response(box.cutoff_hz)))
            assert cut == pytest.approx(-10 * np.log10(2), abs=1e-9)
            if row["peak_dB"]:
                assert box.peak_db == pytest.approx(float(row["peak_dB"]), abs=1e-6)
                at_peak = np.abs(box.response(float(row["peak_f_over_fc"])))
                assert 20 * np.log10(at_peak) == pytest.approx(box.peak_db, abs=1e-6)


def test_worked_examples():
    # printed: fs 35 Hz, Qts 0.65, Vas 45 l, Vb 30 l -> 55.4 Hz, 1.03, F3 43 Hz
    box = sealed_box(35, 0.65, 45, 30)
    assert box.resonance_hz == pytest.approx(55.3399, abs=1e-4)
    assert box.total_q == pytest.approx(1.02774, abs=1e-5)
    assert box.cutoff_hz == pytest.approx(42.9933, abs=1e-3)
    assert box_volume_l(35, 45, box.resonance_hz) == pytest.approx(30)
    butterworth = sealed_box(25, 0.4, 100, 47.0588)
    assert butterworth.total_q == pytest.approx(np.sqrt(0.5), rel=1e-5)
    assert butterworth.cutoff_hz == pytest.approx(44.1942, abs=1e-3)
    assert box_volume_l(35, 45, 34) == np.inf


def test_a_published_driver_sheet_is_consistent(reference_folder):
    sheet = json.loads((reference_folder / "driver_parameter_example.json").read_text())
    driver = sheet["published"]
    share = efficiency(driver["fs_Hz"], driver["Qes"], driver["Vas_l"], 345.0)
    assert 100 * share == pytest.approx(driver["n0_percent"], rel=0.002)
    # 1 % efficiency gives 92.1 dB (Small: 112.1 + 10 lg eta)
    assert sensitivity_db(0.01) == pytest.approx(92.14, abs=0.03)
    assert sensitivity_db(share) == pytest.approx(driver["Lm_dB_1W_Re"], abs=0.2)


def test_displacement_limit_worked():
    # Sd 480 cm2, 12 mm: 95.77 dB at 20 Hz, 102.81 dB at 30 Hz (rho 1.2, half space, 1 m)
    level = displacement_limit_db([20.0, 30.0, 40.0], 480, 12)
    assert level == pytest.approx([95.77, 102.81, 107.81], abs=0.01)
