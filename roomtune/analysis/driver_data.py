"""What a driver's data predict: sealed box, efficiency, displacement limit.

R. H. Small, "Closed-Box Loudspeaker Systems", JAES 20(10), 798-808 (1972) and
21(1), 11-18 (1973); A. N. Thiele, JAES 19, 382-392 and 471-483 (1971).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

AIR_DENSITY_KG_M3 = 1.2
SPEED_M_S = 343.2
REFERENCE_PRESSURE_PA = 20e-6


@dataclass(frozen=True)
class SealedBox:
    """A sealed box's second-order low end: resonance and total Q."""

    resonance_hz: float
    total_q: float

    @property
    def cutoff_hz(self) -> float:
        """Where the response is 3 dB down: fc sqrt((x + sqrt(x^2 + 4)) / 2), x = 1/Q^2 - 2."""
        x = 1 / self.total_q**2 - 2
        return float(self.resonance_hz * np.sqrt((x + np.sqrt(x**2 + 4)) / 2))

    @property
    def peak_db(self) -> float:
        """Height of the peak over the pass band; 0 for Q up to 0.707."""
        if self.total_q <= np.sqrt(0.5):
            return 0.0
        square = self.total_q**2
        return float(20 * np.log10(square / np.sqrt(square - 0.25)))

    def response(self, frequencies_hz: ArrayLike) -> NDArray[np.complex128]:
        """Complex response s^2 / (s^2 + s/Q + 1) with s = jf/fc."""
        s = 1j * np.asarray(frequencies_hz, dtype=float) / self.resonance_hz
        return s**2 / (s**2 + s / self.total_q + 1)


def sealed_box(
    resonance_hz: float, total_q: float, equivalent_volume_l: float, volume_l: float
) -> SealedBox:
    """Return the low end that a driver has in a sealed box of that volume.

    fc / fs = Qtc / Qts = sqrt(1 + Vas / Vb).
    """
    factor = np.sqrt(1 + equivalent_volume_l / volume_l)
    return SealedBox(float(resonance_hz * factor), float(total_q * factor))


def box_volume_l(resonance_hz: float, equivalent_volume_l: float, in_box_hz: float) -> float:
    """Volume that a measured in-box resonance implies; infinite when it is not raised."""
    ratio = (in_box_hz / resonance_hz) ** 2 - 1
    return float(equivalent_volume_l / ratio) if ratio > 0 else np.inf


def efficiency(
    resonance_hz: float,
    electrical_q: float,
    equivalent_volume_l: float,
    speed_m_s: float = SPEED_M_S,
) -> float:
    """Reference efficiency into half space, (4 pi^2 / c^3) fs^3 Vas / Qes (a share, not %)."""
    cubic_metres = equivalent_volume_l / 1000
    return float(4 * np.pi**2 / speed_m_s**3 * resonance_hz**3 * cubic_metres / electrical_q)


def sensitivity_db(
    efficiency_share: float,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
    speed_m_s: float = SPEED_M_S,
) -> float:
    """Level for 1 W at 1 m in half space: power eta spread over 2 pi m^2."""
    pressure = np.sqrt(efficiency_share * density_kg_m3 * speed_m_s / (2 * np.pi))
    return float(20 * np.log10(pressure / REFERENCE_PRESSURE_PA))


def displacement_limit_db(
    frequencies_hz: ArrayLike,
    piston_area_cm2: float,
    peak_excursion_mm: float,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
) -> NDArray[np.float64]:
    """Highest level at 1 m in half space that the cone's stroke allows, dB re 20 uPa.

    p = rho 2 pi f^2 Vd / (sqrt(2) r), the field of a simple source.
    """
    volume = piston_area_cm2 * 1e-4 * peak_excursion_mm * 1e-3
    frequencies = np.asarray(frequencies_hz, dtype=float)
    pressure = density_kg_m3 * 2 * np.pi * frequencies**2 * volume / np.sqrt(2)
    return 20 * np.log10(np.maximum(pressure, 1e-300) / REFERENCE_PRESSURE_PA)
