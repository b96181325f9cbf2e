"""A level meter: what one input delivers, block by block, while something plays or not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.clipping import FULL_SCALE
from roomtune.capture.interface import AudioInterface, Recording

FAST_S = 0.125
BLOCK_S = 0.1
SILENCE_DB = -200.0


@dataclass(frozen=True)
class Level:
    """What a meter shows after a block, in dB re a sample of 1.

    `rms_db`: exponential average with a time constant of 125 ms ("fast",
    IEC 61672-1:2013, 5.8); `peak_db`: of the last block; `highest_db`: of all so
    far; `clipped`: how many samples reached full scale so far.
    """

    rms_db: float = SILENCE_DB
    peak_db: float = SILENCE_DB
    highest_db: float = SILENCE_DB
    clipped: int = 0


def after_block(level: Level, block: NDArray[np.floating], sample_rate_hz: float) -> Level:
    """Return the level after one more block of samples (m,)."""
    if block.size == 0:
        return level
    share = float(np.exp(-block.size / sample_rate_hz / FAST_S))
    power = share * 10 ** (level.rms_db / 10)
    power += (1 - share) * float(np.mean(np.square(block, dtype=np.float64)))
    height = np.abs(block)
    peak_db = max(20 * float(np.log10(max(float(height.max()), 1e-10))), SILENCE_DB)
    return Level(
        rms_db=max(10 * float(np.log10(max(power, 1e-20))), SILENCE_DB),
        peak_db=peak_db,
        highest_db=max(level.highest_db, peak_db),
        clipped=level.clipped + int(np.count_nonzero(height >= FULL_SCALE)),
    )


def watch(
    interface: AudioInterface,
    signals: NDArray[np.float64],
    interface_input: int,
    on_level: Callable[[Level], None],
) -> Recording:
    """Play signals (n, outputs), record one input, and tell its level ten times a second.

    An interface with an attribute `on_recorded` tells while it records; what any
    other recorded is told afterwards. Raises what `play_and_record` raises.
    """
    rate = interface.sample_rate_hz
    level = Level()

    def take_in(samples: NDArray[np.floating]) -> None:
        nonlocal level
        for block in _blocks(samples, max(1, round(BLOCK_S * rate))):
            level = after_block(level, block, rate)
            on_level(level)

    if not hasattr(interface, "on_recorded"):
        recording = interface.play_and_record(signals, (interface_input,))
        take_in(recording.samples[:, 0])
        return recording
    interface.on_recorded = lambda samples: take_in(samples[:, interface_input - 1])
    try:
        return interface.play_and_record(signals, (interface_input,))
    finally:
        interface.on_recorded = None


def _blocks(samples: NDArray[np.floating], size: int) -> Sequence[NDArray[np.floating]]:
    return [samples[begin : begin + size] for begin in range(0, samples.size, size)]
