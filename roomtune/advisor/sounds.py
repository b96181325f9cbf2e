"""The direct sound of every output at the main seat: arrival, polarity, how sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.signal.values import ImpulseResponse

Array = NDArray[np.float64]
ARRIVAL_BANDS_HZ = ((4000.0, 16000.0), (2500.0, 10000.0), (700.0, 5000.0))
CLEAR = 0.6


@dataclass(frozen=True, eq=False)
class DirectSoundTable:
    """Per output, in the order of the measurement.

    times_ms: arrival on the measurement's time axis (NaN where unknown);
    sign: +1 or -1 (0 where unknown); confidence of the sign, 0 to 1.
    """

    times_ms: Array
    sign: NDArray[np.int_]
    confidence: Array


def direct_sound_table(measured: Measured, seat: int) -> DirectSoundTable:
    """Arrival and polarity of every output at one seat."""
    rows = [direct_sound_of(measured, place, seat) for place in range(len(measured.outputs))]
    times, signs, confidences = zip(*rows, strict=True)
    return DirectSoundTable(np.array(times), np.array(signs), np.array(confidences))


def direct_sound_of(measured: Measured, place: int, seat: int) -> tuple[float, int, float]:
    """Arrival in ms, sign and confidence of one output at one seat."""
    from roomtune.analysis.direct_sound import direct_sounds

    low, high = (float(f) for f in measured.bands_hz[place])
    found = direct_sounds(measured.responses[place, seat], (low, high))
    time_s = float(found.time_s) + measured.responses.start_s
    return 1e3 * time_s, int(found.sign), float(found.confidence)


def channel_arrivals_s(responses: ImpulseResponse) -> Array:
    """Arrival of each channel response (n of them), judged in the treble.

    Drivers joined by a crossover are no minimum-phase system together; far above
    it the tweeter plays alone. Where that leaves the polarity in doubt, and with
    it the arrival, lower bands are tried; NaN when none is clear.
    """
    return np.array([_clear_arrival_s(responses[place]) for place in range(len(responses.samples))])


def _clear_arrival_s(response: ImpulseResponse) -> float:
    from roomtune.analysis.direct_sound import direct_sounds

    best, most = np.nan, 0.0
    for band in ARRIVAL_BANDS_HZ:
        found = direct_sounds(response, band)
        if float(found.confidence) > most:
            best, most = float(found.time_s) + response.start_s, float(found.confidence)
        if most >= CLEAR:
            break
    return best
