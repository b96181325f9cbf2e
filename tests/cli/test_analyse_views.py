"""roomtune analyse VIEW: every view as a table, JSON, CSV and a figure, against what is known."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from roomtune.cli.looking import smoothing_of, window_of
from roomtune.errors import RoomtuneError
from roomtune.report.views import VIEWS
from roomtune.session.folder import Session, latest

PAIR = ("--output", "left-woofer", "--output", "left-tweeter")
WITHOUT_FIGURE = {"pressure", "range"}


@pytest.fixture
def there(garden, run, monkeypatch):
    """The runner in the measured garden studio; what is written goes elsewhere."""
    monkeypatch.chdir(garden)
    return run


@pytest.mark.parametrize("view", [name for name in VIEWS if name != "overview"])
def test_a_view_reads_well_and_is_kept_whole(there, tmp_path, view) -> None:
    outputs = ("--output", "sub-rear") if view in ("modes", "box") else PAIR
    table, picture = tmp_path / "view.csv", tmp_path / "view.png"
    files = ["--csv", str(table)]
    if view not in WITHOUT_FIGURE:
        files += ["--figure", str(picture)]
    result = there("analyse", view, *outputs, *files)
    assert result.exit_code == 0, result.output
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "Look for: " in result.stderr
    rows = list(csv.reader(table.read_text().splitlines()))
    assert len(rows) > 1
    assert {len(row) for row in rows} == {len(rows[0])}
    if view not in WITHOUT_FIGURE:
        assert picture.read_bytes().startswith(b"\x89PNG")


def test_the_overview_tells_the_reversed_driver(there) -> None:
    told = json.loads(there("analyse", "--json").stdout)
    assert (told["view"], told["session"], told["unit"]) == ("overview", told["session"], "dB SPL")
    outputs = told["outputs"]
    assert [row["output"] for row in outputs if row["polarity"] == "reversed"] == ["centre-woofer"]
    assert 0.2 < told["room"]["decay_s"] < 0.7
    assert any(abs(mode["frequency_hz"] - 343.2 / 2 / 5.6) < 1 for mode in told["modes"])
    assert {"indices", "decay_s", "decay_uncertainty_s", "lasting"} <= set(told["modes"][0])


def test_levels_are_sound_pressure_as_in_the_virtual_room(there, tmp_path) -> None:
    """Truth: the pressure per full scale that the virtual room says it makes, in its bands."""
    from roomtune.signal.bands import band_levels_db, octave_centres_hz
    from roomtune.system.reading import read_system
    from roomtune.virtual.room import VirtualRoom
    from roomtune.virtual.scenario import load_scenario

    room = VirtualRoom(load_scenario(Path()), read_system(Path("system.toml")))
    truth = room.truth("left-tweeter", "middle").response()
    expected = band_levels_db(truth, octave_centres_hz(2000, 8000), 1)
    expected += 20 * np.log10(1 / 20e-6) - 10 * np.log10(2)
    told = json.loads(there("analyse", "response", "--output", "left-tweeter", "--json").stdout)
    (row,) = told["octaves"]
    found = [row[f"at_{hz}_hz_db"] for hz in (2000, 4000, 8000)]
    assert found == pytest.approx(expected, abs=0.3)


def test_csv_holds_every_digit_of_the_json(there, tmp_path) -> None:
    path = tmp_path / "level.csv"
    words = ("analyse", "response", "--output", "left-tweeter", "--seat", "all")
    told = json.loads(there(*words, "--smoothing", "1/3", "--csv", str(path), "--json").stdout)
    rows = list(csv.reader(path.read_text().splitlines()))
    assert rows[0] == [
        "frequency_hz", "left-tweeter at middle: level_db", "left-tweeter at left: level_db",
    ]  # fmt: skip
    read = np.array(rows[1:], dtype=float).T
    assert read[0].tolist() == told["curves"]["frequency_hz"]
    lines = told["curves"]["lines"]
    assert [line["seat"] for line in lines] == ["middle", "left"]
    assert read[1].tolist() == lines[0]["values"]
    assert read[2].tolist() == lines[1]["values"]


def test_the_overview_keeps_third_octave_levels(there, tmp_path) -> None:
    path = tmp_path / "levels.csv"
    result = there(
        "analyse", "--output", "left-tweeter", "--output", "sub-rear", "--csv", str(path)
    )
    assert "sub-rear" in result.stdout
    assert "Next: roomtune advise" in result.stderr
    rows = list(csv.reader(path.read_text().splitlines()))
    assert rows[0][0] == "centre_hz"
    assert len(rows[0]) == 1 + 2 * 2
    assert len(rows) == 1 + 32
    middle = rows[1 + [round(float(row[0])) for row in rows[1:]].index(63)]
    assert middle[1] == ""  # a tweeter is not played at 63 Hz
    assert 80 < float(middle[3]) < 140


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("nonsense", "There is no view 'nonsense'. Views: overview, response"),
        ("decay --smoothing 1/3", "does not change with --smoothing. These do: response"),
        ("response --smoothing 1/49", "Smoothing is 1/1 to 1/48"),
        ("response --window 3octaves", "A window is whole, or so many cycles"),
        ("response --output nobody", "nobody was not measured at middle"),
        ("response --seat right", "Nothing was measured at right"),
        ("seats --seat middle", "need two seats or more"),
        ("response --figure level.bmp", "ends in .png, .svg or .pdf"),
        ("fading --figure f.png", "choose up to 6"),
        ("modes --output left-tweeter", "No modes can be told"),
        ("box --output left-tweeter", "has a sealed box to fit"),
        ("direct --window 6cycles", "The gate of this view has one length"),
        ("pressure --figure p.png", "it has no figure"),
        ("direct --near one --output left-tweeter", "is no near-field session"),
    ],
)
def test_what_cannot_be_shown_is_said(there, words, told) -> None:
    result = there("analyse", *words.split())
    assert result.exit_code == 2
    assert told in result.output


def test_a_session_without_positions_asks_for_a_gate(garden, run, tmp_path, monkeypatch) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(garden, copy)
    path = next(copy.glob("sessions/*/system.toml"))
    lines = path.read_text().splitlines()
    path.write_text("\n".join(line for line in lines if not line.startswith("position_m")) + "\n")
    monkeypatch.chdir(copy)
    words = ("analyse", "direct", "--output", "sub-rear", "--json")
    refused = run(*words)
    assert refused.exit_code == 2
    assert "--window 5ms" in refused.output
    (row,) = json.loads(run(*words, "--window", "10ms").stdout)["gates"]
    assert row["lowest_valid_hz"] == pytest.approx(100)
    assert row["ends_at"] == "chosen window"


def test_a_session_at_the_cones_completes_the_direct_sound(
    garden, run, tmp_path, monkeypatch
) -> None:
    """A session of one take at one seat, named as near, joins below the gate and feeds the box."""
    copy = tmp_path / "copy"
    shutil.copytree(garden, copy)
    monkeypatch.chdir(copy)
    take = latest(copy).takes(seat="middle", source="left-woofer")[0]
    Session.create(copy, "cones", "system.toml").add(take)
    words = ("--session", "one", "--output", "left-woofer", "--near", "cones", "--json")
    (gate,) = json.loads(run("analyse", "direct", *words).stdout)["gates"]
    assert gate["joined_hz"] == pytest.approx(2 * gate["lowest_valid_hz"])
    told = json.loads(run("analyse", "box", *words).stdout)
    assert told["title"] == "Sealed boxes, at the cone"


def test_help_lists_every_view(run) -> None:
    text = run("analyse", "--help").stdout
    for name, entry in VIEWS.items():
        assert f"  {name} " in text
        assert entry.line.split()[0] in text


def test_smoothing_and_window_are_read_as_written() -> None:
    assert [smoothing_of(text) for text in ("none", "ear", "1/1", "1/48")] == [None, "ear", 1, 48]
    assert window_of("whole") == (None, None)
    assert window_of("6cycles") == (6, None)
    assert window_of("2.5 ms") == (None, 0.0025)
    for text in ("1/0", "6", "2/3", "-1/3"):
        with pytest.raises(RoomtuneError):
            smoothing_of(text)
    for text in ("0ms", "6", "ms"):
        with pytest.raises(RoomtuneError):
            window_of(text)
