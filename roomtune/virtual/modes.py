"""Bass of a rectangular room as the sum of its modes.

H. Kuttruff, Room Acoustics, ch. 3: the pressure of a point source is a sum over
the modes of the room, each a damped resonator; damping from the absorption of the
walls (locally reacting, small admittance: a wall damps a mode half as much where
the mode does not beat against it). Exact down to 0 Hz, where image sources
would need thousands of reflections.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MODES_AT_ONCE = 1500
LEAKAGE_PER_S = 15.0


def mode_numbers(
    size_m: tuple[float, float, float], highest_hz: float, speed_m_s: float
) -> NDArray[np.int64]:
    """All mode numbers (modes, 3) up to a frequency, (0, 0, 0) included."""
    counts = [int(2 * highest_hz * length / speed_m_s) + 1 for length in size_m]
    numbers = np.stack(np.meshgrid(*map(np.arange, counts), indexing="ij"), -1).reshape(-1, 3)
    inside = mode_frequencies_hz(numbers, size_m, speed_m_s) <= highest_hz
    return numbers[inside]


def mode_frequencies_hz(
    numbers: NDArray[np.int64], size_m: tuple[float, float, float], speed_m_s: float
) -> Floats:
    """f = c/2 sqrt((nx/Lx)^2 + (ny/Ly)^2 + (nz/Lz)^2) (Rayleigh), shape (modes,)."""
    frequencies: Floats = speed_m_s / 2 * np.sqrt(((numbers / np.array(size_m)) ** 2).sum(axis=-1))
    return frequencies


def mode_damping(
    numbers: NDArray[np.int64],
    size_m: tuple[float, float, float],
    speed_m_s: float,
    absorption: Floats,
) -> Floats:
    """Amplitude decay constants (modes,) in 1/s; the level falls 60 dB in 6.908 / d.

    absorption: (modes, 6) random-incidence coefficients of the surfaces x=0,
    x=Lx, y=0, y=Ly, z=0, z=Lz at each mode's frequency. Summed over oblique
    modes this is Eyring's decay, -ln(1 - a) S c / 8V.
    """
    exponents = -np.log1p(-absorption).reshape(-1, 3, 2).sum(axis=-1)
    grazing = np.where(numbers > 0, 1.0, 0.5)
    damping: Floats = speed_m_s / 8 * (grazing * exponents / np.array(size_m)).sum(axis=-1)
    return damping


def mode_shapes(
    numbers: NDArray[np.int64], size_m: tuple[float, float, float], points_m: Floats
) -> Floats:
    """Mode shapes (points, modes), normalised to a mean square of one."""
    shapes = np.ones((len(points_m), len(numbers)))
    for axis in range(3):
        phase = np.pi * points_m[:, axis, None] * numbers[:, axis] / size_m[axis]
        shapes *= np.cos(phase) * np.where(numbers[:, axis] > 0, math.sqrt(2), 1.0)
    return shapes


def modal_transfer(
    size_m: tuple[float, float, float],
    absorption_at: Callable[[Floats], Floats],
    sources_m: Floats,
    microphones_m: Floats,
    frequencies_hz: Floats,
    duration_s: float,
    speed_m_s: float,
    headroom: float = 1.5,
) -> NDArray[np.complex128]:
    """Transfer functions (sources, microphones, k), 1 at one metre in free field.

    A source whose free field is exp(-jkr)/r. absorption_at: frequencies (n,)
    -> (n, 6). frequencies_hz must be whole multiples of 1/duration_s: the
    values are then the exact spectrum of the response cut off after
    `duration_s` (no wrapping round). Modes are summed to `headroom` times the
    highest frequency asked for; higher ones only build the first milliseconds.
    The mode at 0 Hz, the pressure of the whole room, leaks out through gaps.
    """
    numbers = mode_numbers(size_m, headroom * frequencies_hz[-1], speed_m_s)
    resonance_hz = mode_frequencies_hz(numbers, size_m, speed_m_s)
    damping = mode_damping(numbers, size_m, speed_m_s, absorption_at(resonance_hz))
    damping = damping + LEAKAGE_PER_S * (numbers.sum(axis=-1) == 0)
    scale = 4 * np.pi * speed_m_s**2 / math.prod(size_m)
    at_sources = mode_shapes(numbers, size_m, sources_m)
    at_microphones = mode_shapes(numbers, size_m, microphones_m)
    pairs = (at_sources[:, None] * at_microphones[None]).reshape(-1, len(numbers))
    summed: NDArray[np.complex128]
    summed = np.zeros((len(pairs), len(frequencies_hz)), dtype=np.complex128)
    for first in range(0, len(numbers), MODES_AT_ONCE):
        part = slice(first, first + MODES_AT_ONCE)
        turns = _cut_resonators(
            2 * np.pi * resonance_hz[part], damping[part], frequencies_hz, duration_s
        )
        summed += pairs[:, part] @ turns.real + 1j * (pairs[:, part] @ turns.imag)
    summed *= scale
    return summed.reshape(len(sources_m), len(microphones_m), -1)


def _cut_resonators(
    resonance: Floats, damping: Floats, frequencies_hz: Floats, duration_s: float
) -> NDArray[np.complex128]:
    """Spectra (modes, k) of exp(-d t) sin(w t) / w, cut off after `duration_s`."""
    resonance = np.maximum(resonance, 1e-2)[:, None]  # the pressure mode: t exp(-d t)
    s = 2j * np.pi * frequencies_hz
    pole = -damping[:, None] + 1j * resonance
    first = -np.expm1(pole * duration_s) / (s - pole)
    second = -np.expm1(pole.conj() * duration_s) / (s - pole.conj())
    spectra: NDArray[np.complex128] = (first - second) / (2j * resonance)
    return spectra
