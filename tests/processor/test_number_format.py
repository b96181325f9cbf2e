"""Number formats against published words, and what they do to filters."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.processor.number_format import (
    hexadecimal,
    number_format,
    quantised,
    words,
)

quick = settings(derandomize=True, deadline=None, max_examples=300)


def test_words_equal_the_table(reference_folder):
    # Two's-complement formats as documented by makers of signal processors.
    with (reference_folder / "fixed_point_words.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        value = float(row["value"])
        style = number_format(row["format_I.F_I_includes_sign"])
        assert style.bits == int(row["bits"])
        assert words(value, style) == (int(row["integer"]),), row
        assert hexadecimal(value, style) == (row["hex_in_format_width"],), row
        assert quantised(value, style) == pytest.approx(float(row["dequantised_value"]), rel=1e-15)
    assert len(rows) == 156


def test_words_that_makers_print():
    assert hexadecimal(-2.0, number_format("2.30")) == ("0x80000000",)
    assert hexadecimal(1.0, number_format("2.30")) == ("0x40000000",)
    assert words(0.4, number_format("1.31")) == (858993459,)
    assert words(10 ** (5 / 20), number_format("3.23"))[0] - 14917288 in (0, 1)
    assert hexadecimal(1.0, number_format("float32")) == ("0x3F800000",)
    assert hexadecimal(-2.0, number_format("float64")) == ("0xC000000000000000",)


@quick
@given(st.floats(-15.9, 15.9), st.integers(2, 30))
def test_fixed_point_errs_by_half_a_step_at_most(value, fraction_bits):
    style = number_format(f"5.{fraction_bits}")
    held = float(quantised(value, style))
    assert abs(held - value) <= style.step / 2 or abs(value) > 16 - style.step
    assert float(quantised(held, style)) == held
    (word,) = words(value, style)
    mask = int(hexadecimal(value, style)[0], 16)
    assert mask == word % 2**style.bits


@quick
@given(st.floats(-1e30, 1e30))
def test_float32_is_that_of_the_machine(value):
    held = float(quantised(value, number_format("float32")))
    assert held == float(np.float32(value))
    assert math.isclose(held, value, rel_tol=2**-24, abs_tol=1e-44)


def test_saturation():
    style = number_format("2.30")
    assert float(quantised(5.0, style)) == 2 - 2**-30
    assert float(quantised(-5.0, style)) == -2.0


@pytest.mark.parametrize("text", ["", "5", "5.", "0.23", "a.b", "5.23.1", "40.40", "float16"])
def test_unknown_formats_are_named(text):
    with pytest.raises(ValueError, match="number format"):
        number_format(text)


def test_the_shape_is_kept():
    assert quantised(np.ones((2, 3)), number_format("5.23")).shape == (2, 3)
    with pytest.raises(ValueError, match="no single step"):
        _ = number_format("float32").step
