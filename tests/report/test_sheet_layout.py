"""Settings tables in a processor's own layout."""

from __future__ import annotations

import csv

import pytest

from roomtune.errors import RoomtuneError
from roomtune.processor.exporting import CoefficientStyle, coefficients_csv
from roomtune.report.exporters import export_biquads
from roomtune.report.sheet_layout import read_layout, table_text

TEXT = """
columns = ["place", "filter type", "frequency (Hz)", "gain (dB)"]
separator = ";"
decimal_comma = true
[names]
"frequency (Hz)" = "F"
[words]
"peaking" = "bell"
"""


def test_a_layout_orders_and_names_the_columns(content, tmp_path):
    path = tmp_path / "processor.toml"
    path.write_text(TEXT)
    text = table_text(content.advice.tuning, content.system, read_layout(path))
    rows = list(csv.DictReader(text.splitlines(), delimiter=";"))
    assert list(rows[0]) == ["place", "filter type", "F", "gain (dB)"]
    bells = [row for row in rows if row["filter type"] == "bell"]
    assert [row["F"] for row in bells] == ["141,3", "141,3"]
    assert bells[0]["gain (dB)"] == "-7,4"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("columns = 3", "must be a list"),
        ('columns = ["colour"]', "unknown column 'colour'"),
        ('[names]\ncolour = "x"', "unknown column 'colour'"),
        ("shape = 1", "unknown key 'shape'"),
        ('separator = ";;"', "one character"),
        ("=", "cannot be read"),
    ],
)
def test_what_is_wrong_is_told_with_the_file(tmp_path, text, sentence):
    path = tmp_path / "processor.toml"
    path.write_text(text)
    with pytest.raises(RoomtuneError, match=sentence) as told:
        read_layout(path)
    assert "processor.toml" in str(told.value)


def test_a_processors_own_coefficients(content, tmp_path):
    path = tmp_path / "processor.toml"
    path.write_text(
        """
[biquads]
columns = ["number", "section", "b0", "b1", "b2", "a1", "a2"]
number_format = "5.23"
feedback = "added"
"""
    )
    style = read_layout(path).biquads
    tuning = content.advice.tuning
    text = export_biquads(tmp_path / "b.csv", tuning, style).read_text()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    assert lines[0] == "number,section,b0,b1,b2,a1,a2"
    # The words, read by hand: 28 bits in two's complement, a1 and a2 with the other sign.
    whole = coefficients_csv(tuning, CoefficientStyle())
    rows = [line.split(",") for line in whole.splitlines() if not line.startswith("#")]
    places = [rows[0].index(name) for name in ("b0", "b1", "b2", "a1", "a2")]
    for line, row in zip(lines[1:], rows[1:], strict=True):
        words = [int(cell, 16) for cell in line.split(",")[2:]]
        held = [(w - 2**28 if w >= 2**27 else w) / 2**23 for w in words]
        exact = [float(row[p]) for p in places]
        exact[3:] = [-exact[3], -exact[4]]
        assert held == pytest.approx(exact, abs=2**-24 * 1.01)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[biquads]\ncolumns = ['colour']", "unknown column 'colour'"),
        ("[biquads]\nfeedback = 'sideways'", "feedback must be"),
        ("[biquads]\nbits = 24", "unknown key 'bits'"),
        ("biquads = 3", "biquads must be a dict"),
    ],
)
def test_wrong_coefficient_layouts_are_told(tmp_path, text, sentence):
    path = tmp_path / "layout.toml"
    path.write_text(text)
    with pytest.raises(RoomtuneError, match=sentence):
        read_layout(path)
