"""What geometry says: modes of a rectangular room, their names, Schroeder frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Size = tuple[float, float, float]


def speed_of_sound_m_s(temperature_c: float = 20.0) -> float:
    """Speed of sound in air, 343.2 sqrt(T / 293.15 K) (ISO 9613-1:1993)."""
    return float(343.2 * np.sqrt((temperature_c + 273.15) / 293.15))


@dataclass(frozen=True)
class RoomMode:
    """A mode of a rectangular room: its indices and its frequency."""

    indices: tuple[int, int, int]
    frequency_hz: float

    @property
    def kind(self) -> str:
        """One index counts: "axial", two: "tangential", three: "oblique"."""
        return ("axial", "tangential", "oblique")[sum(n > 0 for n in self.indices) - 1]

    def __str__(self) -> str:
        return "({},{},{})".format(*self.indices)


def rectangular_modes(
    size_m: Size, highest_hz: float, speed_m_s: float | None = None
) -> tuple[RoomMode, ...]:
    """All modes of a rigid rectangular room up to a frequency, rising.

    f = (c / 2) sqrt((nx/Lx)^2 + (ny/Ly)^2 + (nz/Lz)^2) (H. Kuttruff, "Room
    Acoustics", ch. 3). Raises ValueError for a size that is not positive.
    """
    speed = speed_m_s or speed_of_sound_m_s()
    size = np.asarray(size_m, dtype=float)
    if size.shape != (3,) or not np.all(size > 0):
        raise ValueError(f"a room needs three positive lengths, got {size_m}")
    counts = np.floor(2 * size * highest_hz / speed).astype(int) + 1
    indices = np.stack(np.meshgrid(*map(np.arange, counts), indexing="ij"), -1).reshape(-1, 3)
    frequencies = speed / 2 * np.sqrt(np.sum((indices / size) ** 2, axis=1))
    chosen = np.flatnonzero((frequencies > 0) & (frequencies <= highest_hz))
    chosen = chosen[np.argsort(frequencies[chosen], kind="stable")]
    return tuple(
        RoomMode((int(n[0]), int(n[1]), int(n[2])), float(f))
        for n, f in zip(indices[chosen], frequencies[chosen], strict=True)
    )


def schroeder_frequency_hz(reverberation_time_s: float, volume_m3: float) -> float:
    """Above it modes overlap: 2000 sqrt(T / V).

    M. R. Schroeder, K. H. Kuttruff, J. Acoust. Soc. Am. 34, 76-80 (1962).
    """
    return float(2000 * np.sqrt(reverberation_time_s / volume_m3))


def noticed_decay_s(frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Decay time (time for 60 dB) of a mode from which listeners notice it.

    0.85 s at 32 Hz falling to 0.2 s from 100 Hz on, straight in log time over
    log frequency between (M. Stephenson, PhD thesis, University of Salford,
    2012, abstract); music masks more, so this is on the safe side.
    """
    place = np.log(np.clip(np.asarray(frequencies_hz, dtype=float), 32.0, 100.0))
    return np.exp(np.interp(place, np.log([32.0, 100.0]), np.log([0.85, 0.2])))


def name_modes(
    frequencies_hz: ArrayLike, size_m: Size, tolerance: float = 0.03
) -> tuple[RoomMode | None, ...]:
    """The rectangular room's mode that belongs to each measured frequency.

    Speed of sound and size are never known exactly: one common factor within
    `tolerance` is found first. Then every frequency takes the nearest mode
    that is free, or None when none lies within a third of the tolerance.
    """
    measured = np.asarray(frequencies_hz, dtype=float)
    if not len(measured):
        return ()
    known = rectangular_modes(size_m, float(measured.max()) * (1 + 2 * tolerance))
    theory = np.array([mode.frequency_hz for mode in known])
    factors = np.linspace(1 - tolerance, 1 + tolerance, 241)
    misfit = [
        np.median(np.min(np.abs(np.log(measured[:, None] / (theory * factor))), axis=1))
        + 0.02 * abs(factor - 1)
        for factor in factors
    ]
    theory = theory * factors[int(np.argmin(misfit))]
    distance = np.abs(np.log(measured[:, None] / theory))
    return _nearest_free(distance, known, tolerance / 3)


def _nearest_free(
    distance: NDArray[np.float64], known: tuple[RoomMode, ...], limit: float
) -> tuple[RoomMode | None, ...]:
    names: list[RoomMode | None] = [None] * len(distance)
    free = distance.copy()
    while free.size and free.min() < limit:
        measured, mode = np.unravel_index(int(np.argmin(free)), free.shape)
        names[int(measured)] = known[int(mode)]
        free[measured, :] = np.inf
        free[:, mode] = np.inf
    return tuple(names)
