"""Weightings against the table of IEC 61672-1:2013."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from roomtune.signal.weighting import weighting_db


@pytest.fixture(scope="module")
def table(reference_folder):
    with (reference_folder / "iec61672_weighting.csv").open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("letter", ["A", "C"])
def test_formula_and_table(table, letter):
    exact = np.array([float(row["exact_Hz"]) for row in table])
    found = weighting_db(exact, letter)
    printed = np.array([float(row[f"{letter}_table_dB"]) for row in table])
    formula = np.array([float(row[f"{letter}_formula_at_exact_dB"]) for row in table])
    assert found == pytest.approx(formula, abs=1e-6)
    assert np.max(np.abs(found - printed)) < 0.0501
    upper, lower = (
        np.array([float(row[f"class1_{side}_dB"]) for row in table]) for side in ("upper", "lower")
    )
    assert np.all((found - printed <= upper) & (found - printed >= lower))


def test_z_is_flat_and_unknown_letters_are_refused():
    assert np.all(weighting_db([10.0, 1e4], "Z") == 0)
    with pytest.raises(ValueError, match="weighting"):
        weighting_db([10.0], "B")
