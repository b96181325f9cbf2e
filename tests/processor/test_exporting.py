"""Exported coefficients, read back by csv and run by scipy."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.errors import RoomtuneError
from roomtune.processor.exporting import (
    CoefficientStyle,
    coefficients_csv,
    section_rows,
)
from roomtune.processor.filters import filter_response, filter_sections
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    OutputSetting,
    Route,
    Tuning,
)

RATE = 48000.0
FILTERS = (
    Filter("high pass", 25.0, family="Butterworth", order=3),
    Filter("peaking", 41.3, 6.2, -7.4),
    Filter("fir", taps=(1.0, 0.5)),
    Filter("low pass", 300.0, family="Linkwitz-Riley", order=4),
)
TUNING = Tuning(
    RATE,
    (ChannelSetting("L, front", 0.0, (Filter("low shelf", 120.0, 0.7, 3.0),)),),
    (Route("L, front", "a", filters=(Filter("all pass", 90.0, 1.1),)),),
    (OutputSetting("a", 1, filters=FILTERS),),
)
SHUFFLED = ("name", "part", "b2", "b1", "b0", "a2", "a1")
GRID = np.geomspace(10, 23000, 300)


def textbook_sections(rows, style):
    """Rows back as b0 b1 b2 a0 a1 a2 with the textbook sign, shape (rows, 6)."""
    double = 2 if style.halved_middle else 1
    sign = -1 if style.feedback == "added" else 1
    factors = np.array([1, double, 1, sign * double, sign])
    values = np.array([row.values for row in rows]) * factors
    return np.insert(values, 3, 1.0, axis=1)


def read_back(text, style, **names):
    """An independent reading of the CSV: rows as scipy's sections, of one part."""
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    sections = []
    for row in rows:
        if any(row[key] != value for key, value in names.items()):
            continue
        value = {key: decoded(row[key], style) for key in ("b0", "b1", "b2", "a1", "a2")}
        sign = -1 if style.feedback == "added" else 1
        double = 2 if style.halved_middle else 1
        upper = [value["b0"], double * value["b1"], value["b2"]]
        sections.append([*upper, 1.0, sign * double * value["a1"], sign * value["a2"]])
    return np.array(sections)


def decoded(text, style):
    if not text.startswith("0x"):
        return float(text)
    integer_bits, fraction_bits = map(int, style.number_format.split("."))
    bits = integer_bits + fraction_bits
    word = int(text, 16)
    return (word - 2**bits if word >= 2 ** (bits - 1) else word) / 2**fraction_bits


def scipy_response(sections):
    from scipy.signal import freqz_sos

    return freqz_sos(sections, GRID, fs=RATE)[1]


def predicted(style="float64"):
    recursive = [f for f in FILTERS if f.type != "fir"]
    return np.prod([filter_response(f, RATE, GRID, style) for f in recursive], axis=0)


@pytest.mark.parametrize(
    ("style", "error_db"),
    [
        (CoefficientStyle(), 1e-7),
        (
            CoefficientStyle(
                feedback="added", columns=("name", "part", "b2", "b1", "b0", "a2", "a1")
            ),
            1e-7,
        ),
        (CoefficientStyle("float32"), 0.2),
        (CoefficientStyle("5.23", "added"), 0.2),
        (CoefficientStyle("2.30"), 2e-3),
        (CoefficientStyle("2.30", best_words=True), 1e-3),
    ],
)
def test_tables_reproduce_the_response_to_the_precision_of_the_format(style, error_db):
    text = coefficients_csv(TUNING, style)
    sections = read_back(text, style, part="output", name="a")
    found, wanted = scipy_response(sections), predicted()
    heard = np.abs(wanted) > 1e-4
    assert np.abs(20 * np.log10(np.abs(found / wanted)))[heard].max() < error_db
    rows = [row for row in section_rows(TUNING, style) if row.part == "output"]
    np.testing.assert_array_equal(textbook_sections(rows, style), sections)
    if not style.best_words:
        np.testing.assert_allclose(found, predicted(style.number_format), rtol=1e-6)


def test_halved_coefficients_fit_a_format_of_one_integer_bit():
    cut = Filter("peaking", 41.3, 6.2, -7.4)
    tuning = Tuning(RATE, outputs=(OutputSetting("a", 1, filters=(cut,)),))
    style = CoefficientStyle("1.31", "added", halved_middle=True)
    text = coefficients_csv(tuning, style)
    assert "b1 and a1 are stored halved" in text
    found = scipy_response(read_back(text, style))
    wanted = filter_response(cut, RATE, GRID)
    assert np.abs(20 * np.log10(np.abs(found / wanted))).max() < 1e-3
    with pytest.raises(RoomtuneError, match="does not fit"):
        coefficients_csv(tuning, CoefficientStyle("1.31", "added"))


def test_order_and_names():
    rows = section_rows(TUNING)
    assert [(r.part, r.name, r.filter, r.type, r.section) for r in rows] == [
        ("channel", "L, front", 1, "low shelf", 1),
        ("route", "L, front > a", 1, "all pass", 1),
        ("output", "a", 1, "high pass", 1),
        ("output", "a", 1, "high pass", 2),
        ("output", "a", 2, "peaking", 1),
        ("output", "a", 4, "low pass", 1),
        ("output", "a", 4, "low pass", 2),
    ]
    wanted = np.concatenate([filter_sections(f, RATE) for f in FILTERS])
    found = textbook_sections(rows[2:], CoefficientStyle())
    np.testing.assert_array_equal(found, wanted)


def test_the_table_states_its_convention():
    text = coefficients_csv(TUNING, CoefficientStyle("5.23", "added"))
    assert "b2 x[n-2] + a1 y[n-1] + a2 y[n-2]" in text
    assert "at 48000 Hz, normalised to a0 = 1" in text
    assert "5 integer bits with the sign, 23 fraction bits, two's complement" in text
    header = next(line for line in text.splitlines() if not line.startswith("#"))
    assert header == "part,name,number,filter,type,section,b0,b1,b2,a1,a2"


def test_one_in_5_23_is_the_published_word():
    # 1.0 = 0x0800000 in 5.23 format, as documented for parts with that format.
    flat = Filter("peaking", 1000.0, 1.0, 0.0)
    tuning = Tuning(RATE, outputs=(OutputSetting("a", 1, filters=(flat,)),))
    (row,) = section_rows(tuning, CoefficientStyle("5.23"))
    assert row.texts[0] == "0x0800000"


def test_what_does_not_fit_is_refused():
    with pytest.raises(RoomtuneError, match=r"high pass\): .* does not fit the format 1.31"):
        coefficients_csv(
            Tuning(RATE, outputs=(OutputSetting("a", 1, filters=FILTERS[:1]),)),
            CoefficientStyle("1.31"),
        )
    with pytest.raises(ValueError, match="expected b0 b1 b2 a1 a2 once each"):
        section_rows(TUNING, CoefficientStyle(columns=("b0", "b1", "b2", "a1", "a1")))
    with pytest.raises(ValueError, match="feedback"):
        section_rows(TUNING, CoefficientStyle(feedback="minus"))
    with pytest.raises(ValueError, match="halved_middle"):
        section_rows(TUNING, CoefficientStyle("2.30", halved_middle=True, best_words=True))


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.floats(15, 20000),
    st.floats(0.3, 15),
    st.floats(-15, 12),
    st.sampled_from(["float64", "float32", "5.23", "8.24"]),
    st.sampled_from(["subtracted", "added"]),
)
def test_any_filter_comes_back_as_held(frequency, q, gain, number_format, feedback):
    item = Filter("peaking", frequency, q, gain)
    tuning = Tuning(RATE, outputs=(OutputSetting("a", 1, filters=(item,)),))
    style = CoefficientStyle(number_format, feedback)
    found = read_back(coefficients_csv(tuning, style), style)
    np.testing.assert_array_equal(found, filter_sections(item, RATE, number_format))
    assert not any(
        math.copysign(1, v) < 0 and v == 0 for v in section_rows(tuning, style)[0].values
    )
