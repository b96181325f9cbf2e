"""Whether a driver pushes when it should."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.direct_sound import direct_sounds
from roomtune.signal.values import ImpulseResponse


@dataclass(frozen=True, eq=False)
class Polarity:
    """Sign of the direct sound, shape of the response's leading axes.

    sign: +1 when positive pressure arrives first for a positive signal, else
    -1; 0 where nothing stands out of the noise. confidence: 0 to 1.
    """

    sign: NDArray[np.int_]
    confidence: NDArray[np.float64]


def polarity(response: ImpulseResponse, band_hz: tuple[float, float] | None = None) -> Polarity:
    """Polarity of the direct sound, vectorised over the leading axes.

    The sign of the impulse that remains when the driver's own minimum-phase
    response is taken out. Its confidence says how far this impulse stands
    above the best one of the other sign, with the noise of both counted.
    """
    found = direct_sounds(response, band_hz)
    return Polarity(found.sign, found.confidence)
