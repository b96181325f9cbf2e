"""Reading a spectrum between its bins."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def interpolate_spectrum(
    spectrum: NDArray[np.complex128], bins: NDArray[np.float64], turns_per_bin: float
) -> NDArray[np.complex128]:
    """Interpolate `spectrum` (..., m) at fractional `bins` (k,), shape (..., k).

    `turns_per_bin` is the mean phase slope (delay in samples over FFT length):
    it is taken out before the linear interpolation and put back after it.
    """
    lower = np.clip(np.floor(bins).astype(int), 0, spectrum.shape[-1] - 2)
    weight = bins - lower
    below, above = spectrum[..., lower], spectrum[..., lower + 1]
    turn = np.exp(2j * np.pi * turns_per_bin)
    straight = below * (1 - weight) + above * turn * weight
    return np.asarray(straight * np.exp(-2j * np.pi * turns_per_bin * weight))
