"""Settings tables in a processor's own layout."""

from __future__ import annotations

import csv

import pytest

from roomtune.errors import RoomtuneError
from roomtune.report.sheet_layout import SheetLayout, read_layout, table_text

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


def test_the_plain_layout_is_the_settings_csv(content):
    from roomtune.report.settings_sheet import settings_csv

    plain = table_text(content.advice.tuning, content.system, SheetLayout())
    assert plain == settings_csv(content.advice.tuning, content.system)


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
