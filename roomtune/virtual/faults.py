"""Things that go wrong with a take, on demand: to test what notices them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import MeasurementError

Floats = NDArray[np.float64]
FaultKind = Literal[
    "device failure",
    "lost playback block",
    "wrong output",
    "lost recording block",
    "repeated recording block",
    "digital silence",
    "clipping",
    "soft clipping",
    "level jump",
    "click",
    "burst",
    "automatic gain control",
    "noise suppression",
    "wrong sample rate",
    "not finite",
]


@dataclass(frozen=True)
class Fault:
    """One fault of the next call.

    at_s: where in the played signal (playback faults) or in the recording it
    happens. length_s: of the block or burst. gain_db: of "clipping" and "soft
    clipping" how far the peak would stand above full scale; of "level jump" the
    jump; of "click" and "burst" the level re full scale; of "automatic gain
    control" the most that it turns up; of "noise suppression" how far it turns
    pauses down (negative). rate_hz: the true rate of a "wrong sample rate".
    reported: whether the stream admits it.
    """

    kind: FaultKind
    at_s: float = 0.0
    length_s: float = 0.01
    gain_db: float = 0.0
    rate_hz: float = 44100.0
    reported: bool = False


def spoil_playback(fault: Fault, signals: Floats, sample_rate_hz: float) -> Floats:
    """What really leaves the interface: (n, outputs); a lost block pulls the rest forward.

    Raises MeasurementError for a "device failure".
    """
    if fault.kind == "device failure":
        raise MeasurementError("the audio device stopped answering: check its cable, then repeat")
    if fault.kind == "wrong output":
        return np.roll(signals, 1, axis=1)
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
    if fault.kind == "wrong sample rate":
        return _at_rate(recording, sample_rate_hz, fault.rate_hz)
    if fault.kind in ("automatic gain control", "noise suppression"):
        return _steered(fault, recording, sample_rate_hz)
    return _marred(fault, recording, first, last)


def _marred(fault: Fault, recording: Floats, first: int, last: int) -> Floats:
    """Faults that change values but not their number."""
    spoilt = recording.copy()
    gain = 10 ** (fault.gain_db / 20)
    peak = max(float(np.abs(recording).max()), 1e-12)
    if fault.kind == "clipping":
        spoilt *= gain / peak
    elif fault.kind == "soft clipping":
        spoilt = np.tanh(spoilt * gain / peak)
    elif fault.kind == "level jump":
        spoilt[first:] *= gain
    elif fault.kind == "click":
        spoilt[first] += gain
    elif fault.kind == "burst":
        part = spoilt[first:last]
        noise = np.random.default_rng(first).standard_normal(part.shape)
        part += gain * noise * np.hanning(len(part))[:, None]
    elif fault.kind == "not finite":
        spoilt[first:last] = np.nan
    return spoilt


def _at_rate(recording: Floats, sample_rate_hz: float, true_rate_hz: float) -> Floats:
    import soxr

    converted: Floats = soxr.resample(recording, sample_rate_hz, true_rate_hz, "HQ")
    return converted


def _steered(fault: Fault, recording: Floats, sample_rate_hz: float) -> Floats:
    """Gain that follows the level of the last 50 ms, smoothed over 200 ms.

    Gain control turns quiet sound up by at most `gain_db`, towards -20 dB re
    full scale; noise suppression turns what is 40 dB under the peak down by it.
    """
    from scipy.ndimage import uniform_filter1d

    power = (recording**2).mean(axis=1)
    level = 10 * np.log10(uniform_filter1d(power, round(0.05 * sample_rate_hz)) + 1e-20)
    if fault.kind == "automatic gain control":
        wanted_db = np.clip(-20 - level, 0, fault.gain_db)
    else:
        wanted_db = np.where(level < level.max() - 40, fault.gain_db, 0.0)
    smooth_db = uniform_filter1d(wanted_db, round(0.2 * sample_rate_hz))
    steered: Floats = recording * 10 ** (smooth_db[:, None] / 20)
    return steered


def _block(fault: Fault, sample_rate_hz: float) -> tuple[int, int]:
    first = round(fault.at_s * sample_rate_hz)
    return first, first + max(1, round(fault.length_s * sample_rate_hz))
