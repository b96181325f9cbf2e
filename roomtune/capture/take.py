"""A take: one recording of one output (or channel) at one seat, judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum

Grade = Literal["good", "usable", "repeat"]


@dataclass(frozen=True)
class Finding:
    """One reason behind a verdict: what, where, how bad.

    `code` is a stable key such as "clipping" or "impulsive noise"; `text` is the
    sentence for people; `grade` is the worst grade this finding allows.
    """

    code: str
    grade: Grade
    text: str


@dataclass(frozen=True)
class Verdict:
    """How far a take can be trusted, with reasons."""

    grade: Grade
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, eq=False)
class Fingerprint:
    """What the markers of a take sounded like, to compare takes at one seat.

    pattern: the room's answer to a marker (p,), complex in the marker's own band, a
    value every `step_s`; level_db: its energy per marker played at full scale, in dB.
    moved_s: how much later the take's times were made than its own markers said.
    """

    pattern: NDArray[np.complex128]
    level_db: float
    step_s: float = 0.0
    moved_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Take:
    """One judged measurement.

    `impulse_response` is as recorded, before any microphone correction, with
    time zero at the reference event named by `reference`. `harmonics` holds the
    responses of order 2, 3 ... (index 0 is order 2). `noise` is the density of
    the noise at the microphone in the unit of the recording. `fingerprint` is
    there when the microphone heard markers.
    `octave_snr_db`: pairs of octave centre (Hz) and signal-to-noise ratio (dB).
    """

    source: str
    kind: Literal["output", "channel"]
    seat: str
    stimulus: Sweep
    level_dbfs: float
    impulse_response: ImpulseResponse
    noise: NoiseSpectrum
    harmonics: tuple[ImpulseResponse, ...]
    verdict: Verdict
    reference: Literal["loopback", "acoustic", "none"]
    clock_drift_ppm: float
    recorded_at: str
    raw_file: str | None = None
    microphone_correction: str | None = None
    fingerprint: Fingerprint | None = None
    octave_snr_db: tuple[tuple[float, float], ...] = ()
