"""What a driver may be besides two plain ends: a coil's pole, and shelves.

The coil is one real pole, beside the pairs of the upper end. The shelves follow one another
through the band: what rises a little from octave to octave, as a baffle step does, is
their sum. All are minimum phase, as the ends are (see `driver_fit`).

Parameters (14,): the eight of `driver_fit`, the logarithm of the coil's frequency
(infinite: none), and the exponents of five shelves (zero: none).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.driver_fit import PRIOR_SPREAD, driver_log_model, prior_parameters

COIL, SHELVES = 8, tuple(range(9, 14))
# a coil from some way below the band's end on; 1.2 dB from each shelf to the next
# (common practice, no source)
_COIL_PLACE, _COIL_SPREAD, _SHELF_SPREAD = np.log(1 / 3), 0.8, 0.2
DETAIL_SPREAD = np.concatenate([PRIOR_SPREAD, [_COIL_SPREAD], np.full(5, _SHELF_SPREAD)])


def prior_detail(band_hz: tuple[float, float]) -> NDArray[np.float64]:
    """What is thought of a driver (14,) before it is heard, from the band that it plays."""
    ends = prior_parameters(np.array(band_hz))
    return np.concatenate([ends, [np.log(band_hz[1]) + _COIL_PLACE], np.zeros(5)])


def plain(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    """Parameters (14,) of a driver with nothing besides its ends (8,)."""
    return np.concatenate([parameters, [np.inf], np.zeros(5)])


@dataclass(frozen=True, eq=False)
class DetailedDriver:
    """Drivers as seen at s (k,), with the logarithms of the shelves there, (5, k)."""

    s: NDArray[np.complex128]
    shelves: NDArray[np.complex128]

    def log_model(
        self, parameters: NDArray[np.float64], free: NDArray[np.int_]
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Logarithm of the response (k,), and its slopes by the free parameters, (f, k)."""
        exponent, slopes = driver_log_model(parameters[:8], self.s)
        rows = [slopes.T]
        if np.isfinite(parameters[COIL]):
            above = self.s / (2 * np.pi * np.exp(parameters[COIL]))
            exponent = exponent - np.log(1 + above)
            rows.append((above / (1 + above))[None])
        else:
            rows.append(np.zeros((1, len(self.s)), dtype=complex))
        exponents = parameters[list(SHELVES)]
        if np.any(exponents):
            exponent = exponent + exponents @ self.shelves
        return exponent, np.concatenate([*rows, self.shelves])[free]


def detailed_driver(
    frequencies_hz: NDArray[np.float64], band_hz: tuple[float, float]
) -> DetailedDriver:
    """Shelves spread evenly over a band, on a logarithmic axis."""
    s = np.asarray(2j * np.pi * frequencies_hz, dtype=complex)
    edges = 2 * np.pi * np.geomspace(*band_hz, 6)
    steps = np.log(1 + s / edges[:, None])
    return DetailedDriver(s, steps[1:] - steps[:-1])
