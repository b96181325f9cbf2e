"""The audio interface as capture sees it: something that plays and records.

Implemented by PortAudio (`roomtune.capture.portaudio`), the virtual room
(`roomtune.virtual`) and the file exchange (`roomtune.capture.exchange`).
Latency is unknown, the clocks of playback and recording may differ, blocks
may be lost: whoever calls assumes all three.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.values import read_only


@dataclass(frozen=True, eq=False)
class Recording:
    """What was recorded: samples (m, inputs) re full scale, and what went on.

    `events` are sentences about the stream ("input overflow reported in 2
    blocks"): hints for the log, never proof of a good or a bad take.
    """

    samples: NDArray[np.float64]
    sample_rate_hz: float
    events: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", read_only(self.samples, np.float64))
        if self.samples.ndim != 2:
            raise ValueError(f"a recording is (samples, inputs), got {self.samples.shape}")


class AudioInterface(Protocol):
    """Plays signals and records at the same time."""

    sample_rate_hz: float

    def play_and_record(
        self, signals: NDArray[np.float64], inputs: Sequence[int]
    ) -> Recording:
        """Play `signals` (n, outputs) and record the given inputs (1-based).

        Column k of `signals` goes to interface output k + 1, in digital full
        scale. The recording starts some unknown time before or after the first
        sample and runs on until the tail is in. Raises MeasurementError when
        the device fails.
        """
        ...
