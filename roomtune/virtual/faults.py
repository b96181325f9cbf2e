"""Things that go wrong with a recording, on demand: to test what notices them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import MeasurementError

Floats = NDArray[np.float64]
FaultKind = Literal[
    "lost playback block",
    "lost recording block",
    "repeated recording block",
    "digital silence",
    "clipping",
    "click",
    "not finite",
    "device failure",
]


@dataclass(frozen=True)
class Fault:
    """One fault of the next call.

    at_s: where in the played signal (playback) or recording it happens.
    length_s: of the block. gain_db: how far into clipping, or the level of the
    click in dB re full scale. `reported`: whether the stream admits it.
    """

    kind: FaultKind
    at_s: float = 0.0
    length_s: float = 0.01
    gain_db: float = 0.0
    reported: bool = False


def spoil_playback(fault: Fault, signals: Floats, sample_rate_hz: float) -> Floats:
    """What really leaves the interface: a lost block pulls the rest forward."""
    if fault.kind == "device failure":
        raise MeasurementError("the audio device stopped answering: check its cable, then repeat")
    if fault.kind != "lost playback block":
        return signals
    first, last = _block(fault, sample_rate_hz)
    return np.delete(signals, slice(first, last), axis=0)


def spoil_recording(fault: Fault, recording: Floats, sample_rate_hz: float) -> Floats:
    """What really arrives: (samples, inputs) with the fault in it."""
    first, last = _block(fault, sample_rate_hz)
    if fault.kind == "lost recording block":
        return np.delete(recording, slice(first, last), axis=0)
    if fault.kind == "repeated recording block":
        return np.concatenate([recording[:last], recording[first:last], recording[last:]])
    if fault.kind == "digital silence":
        return np.zeros_like(recording)
    spoilt = recording.copy()
    if fault.kind == "clipping":
        largest = max(float(np.abs(spoilt).max()), 1e-12)
        spoilt *= 10 ** (fault.gain_db / 20) / largest
    elif fault.kind == "click":
        spoilt[first] += 10 ** (fault.gain_db / 20)
    elif fault.kind == "not finite":
        spoilt[first:last] = np.nan
    return spoilt


def _block(fault: Fault, sample_rate_hz: float) -> tuple[int, int]:
    first = round(fault.at_s * sample_rate_hz)
    return first, first + max(1, round(fault.length_s * sample_rate_hz))
