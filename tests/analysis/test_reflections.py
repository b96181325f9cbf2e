"""Reflections of a room whose images are known."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.reflections import (
    cautions,
    early_reflections,
    image_path_differences_m,
    name_surfaces,
    strongest,
)
from roomtune.signal.values import ImpulseResponse

RATE, SPEED = 48000.0, 343.2
SIZE, SOURCE, RECEIVER = (5.2, 4.1, 2.5), (0.9, 1.3, 1.1), (3.9, 2.4, 1.2)


def band_limited(paths, count=1 << 13):
    """Direct sound at 5 ms and delayed copies (extra seconds, gain), 40 Hz to 20 kHz."""
    frequencies = np.fft.rfftfreq(count, 1 / RATE)
    s = 1j * frequencies
    driver = s**2 / (s + 80) ** 2 / (1 + s / 16e3) ** 2
    room = 1 + sum(g * np.exp(-2j * np.pi * frequencies * t) for t, g in paths)
    spectrum = driver * room * np.exp(-2j * np.pi * frequencies * 0.005)
    return ImpulseResponse(np.fft.irfft(spectrum), RATE)


def test_times_levels_and_paths():
    paths = [(0.0021, 0.6), (0.0047, -0.45), (0.0093, 0.3)]
    found = early_reflections(band_limited(paths), 0.005, speed_m_s=SPEED)
    assert [item.delay_s for item in found] == pytest.approx([t for t, _ in paths], abs=2e-5)
    expected = [20 * np.log10(abs(g)) for _, g in paths]
    assert [item.level_db for item in found] == pytest.approx(expected, abs=0.5)
    assert found[0].path_difference_m == pytest.approx(0.0021 * SPEED, abs=0.01)
    assert found[0].lowest_comb_hz == pytest.approx(238, abs=3)
    for item, level in zip(found, expected, strict=True):
        assert item.spectrum_db == pytest.approx(level, abs=1.5)


def test_surfaces_are_named_from_positions():
    paths = image_path_differences_m(SIZE, SOURCE, RECEIVER)
    assert min(paths.values()) > 0
    chosen = {name: paths[name] for name in ("floor", "wall at y = 0", "far wall in x")}
    rays = [(path / SPEED, 0.5) for path in chosen.values()]
    found = early_reflections(band_limited(rays), 0.005, speed_m_s=SPEED)
    named = name_surfaces(found, SIZE, SOURCE, RECEIVER)
    expected = sorted(chosen, key=lambda name: chosen[name])
    assert [item.surface for item in named] == expected
    assert all(abs(item.path_error_m) < 0.02 for item in named)


def test_floor_image_worked_by_hand():
    # source and receiver 1.2 m high, 3 m apart: bounce path sqrt(9 + 2.4^2) = 3.8419 m
    paths = image_path_differences_m((6, 4, 3), (1, 2, 1.2), (4, 2, 1.2))
    assert paths["floor"] == pytest.approx(0.84187, abs=1e-5)


def test_cautions_tell_of_strong_early_ones_only():
    strong = early_reflections(band_limited([(0.003, 0.6), (0.02, 0.6)]), 0.005)
    told = cautions(strong)
    assert len(told) == 1
    assert "3.0 ms" in told[0]
    assert not cautions(early_reflections(band_limited([(0.003, 0.25)]), 0.005))


def test_an_anechoic_response_has_none():
    assert early_reflections(band_limited([]), 0.005) == ()


def test_strongest_keep_their_order():
    paths = [(0.002, 0.2), (0.005, 0.6), (0.009, 0.4)]
    found = early_reflections(band_limited(paths), 0.005)
    kept = strongest(found, 2)
    assert [item.delay_s for item in kept] == pytest.approx([0.005, 0.009], abs=2e-5)
