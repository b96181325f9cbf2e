"""When the direct sound arrives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.direct_sound import direct_sounds
from roomtune.signal.values import ImpulseResponse


@dataclass(frozen=True, eq=False)
class Arrival:
    """Arrival times on the time axis of the response, shape of its leading axes.

    time_s: when the direct sound arrives, as the delay in excess of minimum
    phase; NaN where nothing stands out of the noise. uncertainty_s: its
    standard uncertainty, which counts noise, reflections and what lies outside the band.
    """

    time_s: NDArray[np.float64]
    uncertainty_s: NDArray[np.float64]


def arrival(response: ImpulseResponse, band_hz: tuple[float, float] | None = None) -> Arrival:
    """Arrival of the direct sound, vectorised over the leading axes.

    `band_hz` is the band that was played into the driver; None finds it. A
    subwoofer's arrival is not the peak of its response: the time found is the
    time of flight that remains when the driver's own minimum-phase response is
    taken out (see `direct_sound`).

    Largest errors seen in 8 seeded synthetic drivers at 40 dB peak over noise,
    free field (12 strong reflections): tweeter 3 us (3 us), midrange 5 us (4 us),
    woofer played to 5 kHz 5 us (14 us), subwoofer played to 500 Hz 80 us
    (280 us). One low-passed at 80 Hz: 0.5 ms, but several ms where reflections
    as strong as the direct sound follow within its own rise. In two virtual
    rooms at 60 dB: tweeter 6 us, full range 3 us, midrange 10 us, woofer 27 us;
    subwoofers in three: 0.9 ms, half of them within 0.4 ms, 0.9 ms stated.
    """
    found = direct_sounds(response, band_hz)
    start = response.start_s
    return Arrival(found.time_s + start, found.uncertainty_s)
