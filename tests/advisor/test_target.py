import csv

import numpy as np
import pytest

from roomtune.advisor.target import target_db
from roomtune.errors import RoomtuneError
from roomtune.system.model import Target


def at(workshop, target, frequencies, room=None):
    return target_db(workshop.system(target=target, room_size_m=room), frequencies)


def test_flat_is_zero_everywhere(workshop):
    flat = Target(tilt_db_per_octave=0.0, bass_lift_db=0.0)
    np.testing.assert_array_equal(at(workshop, flat, [20.0, 1000.0, 16000.0]), 0.0)


def test_tilt_turns_about_1_khz_and_lift_rises_within_an_octave(workshop):
    target = Target(tilt_db_per_octave=-0.6, bass_lift_db=3.0, bass_lift_below_hz=100.0)
    found = at(workshop, target, [1000.0, 2000.0, 100.0, 50.0, 25.0])
    tilt = -0.6 * np.log2([1.0, 2.0, 0.1, 0.05, 0.025])
    np.testing.assert_allclose(found - tilt, [0, 0, 0, 3, 3], atol=1e-9)


def test_cinema_falls_3_db_per_octave_in_large_rooms_and_half_that_at_home(workshop):
    # Shape of SMPTE ST 202 / ISO 2969: flat to 2 kHz, then -3 dB per octave.
    cinema = Target(shape="cinema")
    large = at(workshop, cinema, [500.0, 2000.0, 4000.0, 8000.0], (20.0, 15.0, 8.0))
    np.testing.assert_allclose(large, [0, 0, -3, -6], atol=1e-9)
    home = at(workshop, cinema, [8000.0], (5.0, 4.0, 2.5))
    np.testing.assert_allclose(home, -3, atol=1e-9)


def test_a_drawn_curve_is_read_with_its_comments(workshop, tmp_path):
    path = tmp_path / "curve.txt"
    path.write_text("# my curve\nfrequency, dB\n20, 6\n100; 3\n1000\t1.0\n10000 -2\n")
    target = Target(shape="file", curve_file=str(path))
    found = at(workshop, target, [10.0, 20.0, 1000.0, 10000.0, 20000.0])
    np.testing.assert_allclose(found, [5, 5, 0, -3, -3], atol=1e-9)


def test_a_curve_that_is_absent_or_empty_is_told(workshop, tmp_path):
    absent = Target(shape="file", curve_file=str(tmp_path / "none.txt"))
    with pytest.raises(RoomtuneError, match=r"none\.txt cannot be read"):
        at(workshop, absent, [100.0])
    path = tmp_path / "words.txt"
    path.write_text("nothing here\n")
    with pytest.raises(RoomtuneError, match="at least 2"):
        at(workshop, Target(shape="file", curve_file=str(path)), [100.0])


def test_cinema_follows_the_table(workshop, reference_folder):
    # tests/reference/xcurve_nominal.csv, after SMPTE ST 202:2010 / ISO 2969:2015 Table 1
    text = (reference_folder / "xcurve_nominal.csv").read_text(encoding="utf-8")
    rows = [
        (10 ** (round(10 * np.log10(float(r["third_octave_Hz"]))) / 10), float(r["level_dB"]))
        for r in csv.DictReader(text.splitlines())
    ]
    table = np.array(rows)
    found = at(workshop, Target(shape="cinema"), table[:, 0], (20.0, 15.0, 8.0))
    np.testing.assert_allclose(found, table[:, 1], atol=0.1)


def test_words_change_the_target_where_they_say(workshop):
    words = ("2 dB more below 100 Hz", "1 dB less between 1 and 4 kHz")
    flat = Target(tilt_db_per_octave=0.0, bass_lift_db=0.0, adjustments=words)
    found = at(workshop, flat, [30.0, 100.0, 300.0, 1000.0, 2000.0, 4000.0, 9000.0])
    np.testing.assert_allclose(found, [2, 1, 0, -0.5, -1, -0.5, 0], atol=1e-9)
