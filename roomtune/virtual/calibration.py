"""What calibrates the virtual microphone: a calibrator over it, or a meter beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.recording import Recording
from roomtune.virtual.room import VirtualRoom

CALIBRATOR_HZ = 1000.0
REFERENCE_DB = 94.0
NOISE_BELOW_TONE_DB = 50.0


class VirtualCalibrator:
    """The audio interface while a calibrator sits on the virtual microphone.

    Whatever is played, the microphone hears 1 kHz of `level_db` and a little noise.
    """

    def __init__(self, room: VirtualRoom, level_db: float) -> None:
        self.room = room
        self.level_db = level_db
        self.sample_rate_hz = room.sample_rate_hz

    def play_and_record(self, signals: NDArray[np.float64], inputs: Sequence[int]) -> Recording:
        """Record the tone for as long as the signals (n, outputs) last."""
        rms = 10 ** ((self._sensitivity_db + self.level_db - REFERENCE_DB) / 20)
        times = np.arange(signals.shape[0]) / self.sample_rate_hz
        noise = np.random.default_rng(self.room.seed).standard_normal(times.size)
        tone = np.sqrt(2) * np.sin(2 * np.pi * CALIBRATOR_HZ * times)
        heard = rms * (tone + 10 ** (-NOISE_BELOW_TONE_DB / 20) * noise)
        return Recording(np.tile(heard[:, None], (1, len(inputs))), self.sample_rate_hz)

    @property
    def _sensitivity_db(self) -> float:
        return self.room.scenario.microphone.sensitivity_dbfs_at_94_db


def meter_reading_db(room: VirtualRoom, samples: NDArray[np.float64]) -> float:
    """What a meter beside the virtual microphone shows while that records samples (m,), dB."""
    level_db = 10 * float(np.log10(np.mean(samples**2)))
    return level_db - room.scenario.microphone.sensitivity_dbfs_at_94_db + REFERENCE_DB
