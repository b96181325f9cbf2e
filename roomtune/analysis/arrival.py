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
    standard uncertainty: noise, reflections and doubts about the driver, not what it does
    beyond the band.
    """

    time_s: NDArray[np.float64]
    uncertainty_s: NDArray[np.float64]


def arrival(
    response: ImpulseResponse, band_hz: tuple[float, float] | None = None, finely: bool = True
) -> Arrival:
    """Arrival of the direct sound, vectorised over the leading axes.

    `band_hz` is the band that was played into the driver; None finds it. A
    subwoofer's arrival is not the peak of its response: the time found is the
    time of flight that remains when the driver's own minimum-phase response is
    taken out (see `direct_sound`); `finely` refines it by the waveform before the
    first reflection (see `arrival_fit`), which doubles the work.

    Seeded synthetic drivers, the peak of the direct sound 40 dB over the root mean square
    noise in the played band; root mean square error, 95 %, largest of 100, and the Cramer-Rao
    bound of a standard error from that band (tests/benchmarks/arrival_trial.py), in us: tweeter
    0.6, 1.1, 2.0 (0.6); full range 0.5, 0.9, 1.2 (0.5), both also amid twelve strong
    reflections; woofer played to 5 kHz 2.0, 3.7, 4.5 (1.6); subwoofer played to 500 Hz 22, 42,
    69 (21), amid reflections 80, 170, 340; one low-passed at 80 Hz 35, 65, 110 (34), but ms where
    reflections as strong as the direct sound follow within its own rise.

    The stated uncertainty covers these at 0.6 to 0.9 within once and 0.9 to 1.0 within twice
    of it. It grows where the waveform leaves something open: orders that suit as well, an
    unlikely end, samples that no driver explains, a window cut short. What it cannot count is
    what a driver does beyond its band: a pole at 30 kHz makes a tweeter played to 22 kHz 3 us
    late, at every seat and in every take alike.
    Without `finely` errors are two to ten times these.
    """
    found = direct_sounds(response, band_hz, finely)
    start = response.start_s
    return Arrival(found.time_s + start, found.uncertainty_s)
