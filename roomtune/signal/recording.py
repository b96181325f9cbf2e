"""A recording: what the inputs of an audio interface held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.values import read_only


@dataclass(frozen=True, eq=False)
class Recording:
    """What was recorded: samples (m, inputs) re full scale, and what went on.

    `events` are sentences about the stream ("input overflow reported in 2
    blocks"): hints for the log, never proof of a good or a bad take. `flagged_s`:
    instants of the recording at which the sound system reported such a block.
    """

    samples: NDArray[np.float64]
    sample_rate_hz: float
    events: tuple[str, ...] = ()
    flagged_s: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", read_only(self.samples, np.float64))
        if self.samples.ndim != 2:
            raise ValueError(f"a recording is (samples, inputs), got {self.samples.shape}")
