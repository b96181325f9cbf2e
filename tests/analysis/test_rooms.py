"""Room geometry against a book table and worked numbers."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from roomtune.analysis.rooms import (
    name_modes,
    noticed_decay_s,
    rectangular_modes,
    schroeder_frequency_hz,
    speed_of_sound_m_s,
)


def test_modes_equal_the_table(reference_folder):
    # includes M. Long, Architectural Acoustics, 2nd ed. (2014), Table 8.1
    with (reference_folder / "room_modes.csv").open() as file:
        table = list(csv.DictReader(file))
    rooms = {(r["Lx_m"], r["Ly_m"], r["Lz_m"], r["c_m_s"]) for r in table}
    assert len(rooms) == 3
    for room in rooms:
        rows = [r for r in table if (r["Lx_m"], r["Ly_m"], r["Lz_m"], r["c_m_s"]) == room]
        highest = max(float(r["frequency_Hz"]) for r in rows)
        *size, speed = map(float, room)
        found = {m.indices: m for m in rectangular_modes(tuple(size), highest + 0.01, speed)}
        for row in rows:
            mode = found[tuple(int(row[n]) for n in ("nx", "ny", "nz"))]
            assert mode.frequency_hz == pytest.approx(float(row["frequency_Hz"]), abs=1e-6)
            assert mode.kind == row["kind"]
            if row["printed_in_book_Hz"]:
                printed = float(row["printed_in_book_Hz"])
                assert mode.frequency_hz == pytest.approx(printed, abs=0.0501)


def test_count_follows_the_expected_one():
    """Kuttruff, Room Acoustics, eq. 3.20: from volume, surface and length of the edges."""
    size = (7.0, 5.0, 3.0)
    found = len(rectangular_modes(size, 300.0, 344.0))
    volume, surface, edges, ratio = 105.0, 142.0, 60.0, 300.0 / 344.0
    expected = (
        4 * np.pi / 3 * volume * ratio**3 + np.pi / 4 * surface * ratio**2 + edges / 8 * ratio
    )
    assert found == pytest.approx(expected, rel=0.03)


def test_worked_schroeder_frequencies_and_speed():
    assert schroeder_frequency_hz(0.5, 50) == pytest.approx(200)
    assert schroeder_frequency_hz(0.8, 105) == pytest.approx(174.57, abs=0.01)
    assert speed_of_sound_m_s(20) == pytest.approx(343.2)
    assert speed_of_sound_m_s(0) == pytest.approx(331.3, abs=0.02)


def test_names_survive_a_wrong_speed_and_an_alien_mode():
    size = (5.1, 4.03, 2.47)
    modes = rectangular_modes(size, 85.0)
    rng = np.random.default_rng(0)
    measured = np.array([m.frequency_hz for m in modes]) * 1.012
    measured = measured * (1 + 0.001 * rng.standard_normal(len(measured)))
    names = name_modes([*measured, 25.0], size)
    assert [n.indices for n in names[:-1]] == [m.indices for m in modes]
    assert names[-1] is None
    assert str(names[0]) == "(1,0,0)"
    assert name_modes([], size) == ()


def test_noticed_decay_between_its_published_ends():
    assert noticed_decay_s([20, 32, 100, 300]) == pytest.approx([0.85, 0.85, 0.2, 0.2])
    assert noticed_decay_s(np.sqrt(3200)) == pytest.approx(np.sqrt(0.85 * 0.2))


def test_senseless_rooms_are_refused():
    with pytest.raises(ValueError, match="positive"):
        rectangular_modes((1, 2, 0), 100)
