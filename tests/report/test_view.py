"""The values of a view: what is printed, what JSON and CSV hold."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from roomtune.report.view import (
    Column,
    Curve,
    Curves,
    Sheet,
    View,
    as_lines,
    as_plain,
    as_table,
)

NAN = math.nan


def sheet() -> Sheet:
    return Sheet(
        "rows",
        "A table",
        (
            Column("name", "what", ["a", "bcd"]),
            Column("level_db", "dB", [-0.04, NAN], 1),
            Column("time_s", "s", [0.4567, 12.0], 2, [True, False]),
            Column("hidden", None, [True, False]),
            Column("indices", "modes", [(1, 0, 2), None]),
            Column("", "said", ["so", ""]),
        ),
        ("A remark that is long enough to be wrapped at forty columns, twice perhaps.",),
    )


def view(**more) -> View:
    return View("Title", "Look here.", (sheet(),), **more)


def test_a_table_stands_in_columns_and_its_remarks_are_wrapped() -> None:
    lines = as_lines(sheet(), 40)
    assert lines[:4] == [
        "A table",
        "what   dB       s  modes  said",
        "a     0.0  (0.46)  1 0 2    so",
        "bcd     ?   12.00      ?",
    ]
    assert " ".join(lines[4:]) == sheet().remarks[0]
    assert max(map(len, lines)) <= 40


def test_a_wide_table_moves_together() -> None:
    columns = tuple(Column(f"k{i}", f"head{i}", [1.0]) for i in range(10))
    wide = Sheet("rows", "Wide", columns)
    assert max(map(len, as_lines(wide, 80))) == 10 * 5 + 9 * 2
    assert max(map(len, as_lines(wide, 60))) == 10 * 5 + 9


def test_json_holds_plain_values_and_none_for_what_is_not_known() -> None:
    plain = as_plain(view(facts={"room": {"decay_s": NAN, "size_m": 4.0}}))
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert plain["rows"] == [
        {"name": "a", "level_db": -0.04, "time_s": 0.4567, "hidden": True, "indices": [1, 0, 2]},
        {"name": "bcd", "level_db": None, "time_s": 12.0, "hidden": False, "indices": None},
    ]
    assert plain["room"] == {"decay_s": None, "size_m": 4.0}
    assert (plain["title"], plain["look_for"]) == ("Title", "Look here.")


def test_sheets_of_one_key_are_one_list() -> None:
    twice = View("Title", "", (sheet(), sheet()))
    assert len(as_plain(twice)["rows"]) == 4
    assert len(as_table(twice)) == 1 + 4
    assert as_table(twice)[0] == ["name", "level_db", "time_s", "hidden", "indices"]


def test_curves_are_columns_beside_their_axis() -> None:
    values = np.array([1 / 3, NAN])
    curves = Curves(
        (("frequency_hz", np.array([100.0, 200.0])),),
        (Curve("left", "sofa", "level_db", values), Curve("left", "", "spread_db", -values)),
    )
    made = view(curves=curves)
    assert as_table(made) == [
        ["frequency_hz", "left at sofa: level_db", "left: spread_db"],
        [100.0, 1 / 3, -1 / 3],
        [200.0, None, None],
    ]
    plain = as_plain(made)["curves"]
    assert plain["frequency_hz"] == [100.0, 200.0]
    assert plain["lines"][0] == {
        "output": "left", "seat": "sofa", "quantity": "level_db", "values": [1 / 3, None],
    }  # fmt: skip


def test_a_surface_is_written_in_long_form() -> None:
    level = np.arange(6.0).reshape(2, 3)
    axes = (("time_ms", np.array([0.0, 1.0])), ("frequency_hz", np.array([10.0, 20.0, 30.0])))
    table = as_table(view(curves=Curves(axes, (Curve("a", "b", "level_db", level),))))
    assert table[0] == ["time_ms", "frequency_hz", "a at b: level_db"]
    assert table[1] == [0.0, 10.0, 0.0]
    assert table[-1] == [1.0, 30.0, 5.0]
    assert len(table) == 7


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="different lengths"):
        Sheet("rows", "", (Column("a", "a", [1.0]), Column("b", "b", [])))
    with pytest.raises(ValueError, match="shape"):
        Curves((("x", np.arange(3.0)),), (Curve("a", "", "level_db", np.arange(2.0)),))
