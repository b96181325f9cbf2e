"""The modal sum against closed forms."""

from __future__ import annotations

import csv
import pathlib

import numpy as np
import pytest

from roomtune.virtual import modes
from roomtune.virtual.modes import (
    modal_transfer,
    mode_damping,
    mode_frequencies_hz,
    mode_numbers,
    mode_shapes,
)

LONG_ROOM = (7.0, 5.0, 3.0)


def test_mode_frequencies_of_a_printed_table(reference_folder: pathlib.Path) -> None:
    """M. Long, Architectural Acoustics, 2nd ed. (2014), Table 8.1 (reference/room_modes.csv)."""
    rows = list(csv.DictReader((reference_folder / "room_modes.csv").read_text().splitlines()))
    assert len(rows) == 75
    for row in rows:
        size = (float(row["Lx_m"]), float(row["Ly_m"]), float(row["Lz_m"]))
        numbers = np.array([[int(row["nx"]), int(row["ny"]), int(row["nz"])]])
        frequency = mode_frequencies_hz(numbers, size, float(row["c_m_s"]))[0]
        assert frequency == pytest.approx(float(row["frequency_Hz"]), rel=1e-7)


def test_number_of_modes_follows_the_counting_formula() -> None:
    """N(f) = 4 pi V f^3 / 3c^3 + pi S f^2 / 4c^2 + L f / 8c (Kuttruff, eq. 3.26 ff.)."""
    x, y, z = size = LONG_ROOM
    count = len(mode_numbers(size, 500.0, 343.0)) - 1
    volume, area, edges = x * y * z, 2 * (x * y + y * z + x * z), 4 * (x + y + z)
    k = 500.0 / 343.0
    expected = 4 * np.pi / 3 * volume * k**3 + np.pi / 4 * area * k**2 + edges * k / 8
    assert count == pytest.approx(expected, rel=0.01)


def test_shapes_are_orthonormal_over_the_room() -> None:
    numbers = mode_numbers((2.0, 1.5, 1.0), 300.0, 343.0)
    grid = [(np.arange(24) + 0.5) / 24 * length for length in (2.0, 1.5, 1.0)]
    points = np.stack(np.meshgrid(*grid, indexing="ij"), -1).reshape(-1, 3)
    shapes = mode_shapes(numbers, (2.0, 1.5, 1.0), points)
    np.testing.assert_allclose(shapes.T @ shapes / len(points), np.eye(len(numbers)), atol=1e-12)


def test_oblique_modes_decay_as_eyring_says() -> None:
    """T60 = 24 ln10 V / (-c S ln(1 - a)): 6 x 4.5 x 2.5 m, V 67.5 m3, S 106.5 m2, a = 0.2."""
    damping = mode_damping(np.array([[3, 2, 1]]), (6.0, 4.5, 2.5), 343.2, np.full((1, 6), 0.2))[0]
    eyring_s = 24 * np.log(10) * 67.5 / (-343.2 * 106.5 * np.log(0.8))
    assert np.log(1000) / damping == pytest.approx(eyring_s, rel=1e-12)
    assert eyring_s == pytest.approx(0.45729, rel=2e-4)  # with 0.161 for 24 ln10 / c


def test_a_wall_along_which_a_mode_runs_damps_it_half_as_much() -> None:
    """Kuttruff, ch. 3: an axial mode has 1 / Lx + 1 / 2Ly + 1 / 2Lz for the oblique 1 / Lx + ..."""
    axial = mode_damping(np.array([[1, 0, 0]]), (6.0, 4.5, 2.5), 343.2, np.full((1, 6), 0.2))[0]
    expected = 343.2 / 8 * -2 * np.log(0.8) * (1 / 6.0 + 0.5 / 4.5 + 0.5 / 2.5)
    assert axial == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("numbers", [(1, 0, 0), (0, 1, 0), (1, 1, 0), (0, 0, 1)])
def test_peaks_stand_at_the_modes_and_are_as_wide_as_their_decay(numbers: tuple) -> None:
    """Half-power width of a mode is 3 ln10 / (pi T60) = d / pi."""
    absorption = np.full(6, 0.01)
    source = microphone = np.array([[0.01, 0.01, 0.01]])  # in the corner: every mode at its most
    mode = mode_frequencies_hz(np.array([numbers]), LONG_ROOM, 344.7)[0]
    damping = mode_damping(np.array([numbers]), LONG_ROOM, 344.7, absorption[None])[0]
    duration = 20.0
    frequencies = np.arange(1, round(100 * duration)) / duration
    transfer = modal_transfer(
        LONG_ROOM,
        lambda f: np.tile(absorption, (len(f), 1)),
        source,
        microphone,
        frequencies,
        duration,
        344.7,
    )[0, 0]
    near = np.abs(frequencies - mode) < 1.0
    level = np.abs(transfer[near]) ** 2
    peak_hz = frequencies[near][level.argmax()]
    assert peak_hz == pytest.approx(mode, abs=0.05)
    wide = np.ptp(frequencies[near][level > level.max() / 2]) + 1 / duration
    assert wide == pytest.approx(damping / np.pi, abs=0.1)


def test_a_mode_rings_down_at_its_own_decay() -> None:
    """The response, read from the spectrum, falls by exp(-d t) where one mode is left."""
    rate, duration = 400, 4.0
    frequencies = np.arange(0, round(60 * duration)) / duration
    lossy = np.full(6, 0.06)
    transfer = modal_transfer(
        (6.0, 2.0, 2.0),
        lambda f: np.tile(lossy, (len(f), 1)),
        np.array([[0.1, 0.7, 0.9]]),
        np.array([[5.5, 1.2, 1.1]]),
        frequencies,
        duration,
        343.0,
    )[0, 0]
    window = np.exp(-(((frequencies - 343.0 / 12) / 4.0) ** 2))
    spectrum = np.zeros(round(rate * duration) // 2 + 1, dtype=complex)
    spectrum[: len(frequencies)] = transfer * window
    response = np.fft.irfft(spectrum, round(rate * duration))
    envelope = np.abs(response.reshape(-1, 40)).max(axis=1)[3:25]
    rate_of_fall = -np.polyfit(np.arange(3, 25) * 40 / rate, np.log(envelope), 1)[0]
    expected = mode_damping(np.array([[1, 0, 0]]), (6.0, 2.0, 2.0), 343.0, lossy[None])[0]
    assert rate_of_fall == pytest.approx(expected, rel=0.02)


def test_the_spectrum_is_that_of_the_cut_response() -> None:
    """No wrapping round: the inverse FFT equals exp(-d t) sin(w t) / w, mode by mode."""
    duration, rate = 0.25, 40000
    frequencies = np.arange(round(duration * rate) // 2 + 1) / duration
    resonance, damping = np.array([2 * np.pi * 37.0]), np.array([3.0])
    spectrum = modes._cut_resonators(resonance, damping, frequencies, duration)[0]
    times = np.arange(round(duration * rate)) / rate
    expected = np.exp(-3.0 * times) * np.sin(resonance * times) / resonance
    response = np.fft.irfft(spectrum) * rate
    inner = slice(400, -400)  # the cut itself rings in a band-limited response
    assert np.abs(response - expected)[inner].max() < 0.002 * expected.max()
