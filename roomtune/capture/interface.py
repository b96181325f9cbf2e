"""The audio interface as capture sees it: something that plays and records.

Implemented by PortAudio (`roomtune.capture.portaudio`), the virtual room
(`roomtune.virtual`) and the file exchange (`roomtune.capture.exchange`).
Latency is unknown, the clocks of playback and recording may differ, blocks
may be lost: whoever calls assumes all three.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.recording import Recording

__all__ = ["AudioInterface", "Recording"]


class AudioInterface(Protocol):
    """Plays signals and records at the same time."""

    sample_rate_hz: float

    def play_and_record(self, signals: NDArray[np.float64], inputs: Sequence[int]) -> Recording:
        """Play `signals` (n, outputs) and record the given inputs (1-based).

        Column k of `signals` goes to interface output k + 1, in digital full
        scale. The recording starts some unknown time before or after the first
        sample and runs on until the tail is in. Raises MeasurementError when
        the device fails.
        """
        ...
