"""One passage of sound: what the callbacks of the audio streams share.

The callbacks run on PortAudio's thread and only copy; everything is judged
afterwards, or meanwhile by the thread that waits.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Direction = Literal["input", "output"]

FLAGS = {
    "input_underflow": "input underflow",
    "input_overflow": "input overflow",
    "output_underflow": "output underflow",
    "output_overflow": "output overflow",
}


class Passage:
    """Plays one array and fills another, block by block.

    played: (n, channels) float32 within +-1. The recording is complete when
    as many frames were recorded, counted from the first block played; `spare`
    frames leave room for what is recorded before that.
    `silence()` makes every later block zeros, whatever was left to play.
    """

    def __init__(self, played: NDArray[np.float32], inputs: int, spare: int = 0) -> None:
        self.played = played
        self.recorded = np.zeros((len(played) + spare, inputs), dtype=np.float32)
        self.frames_played = 0
        self.frames_recorded = 0
        self.ended = threading.Event()
        self.blocks: Counter[Direction] = Counter()
        self.flagged: Counter[str] = Counter()
        self.flagged_frames: list[int] = []
        self.last_block_s: dict[Direction, float] = {}
        self.deliveries: list[tuple[float, int]] = []
        self.silenced = False
        self.recorded_before_playing = 0

    def silence(self) -> None:
        """Play nothing but zeros from the next block on."""
        self.silenced = True

    @property
    def recording(self) -> NDArray[np.float32]:
        """What was recorded so far, (frames, inputs)."""
        return self.recorded[: self.frames_recorded]

    def on_duplex(
        self,
        indata: NDArray[np.float32],
        outdata: NDArray[np.float32],
        frames: int,
        moment: Any,
        status: Any,
    ) -> None:
        """Serve a full-duplex stream; its flags are counted once."""
        self.on_output(outdata, frames, moment, status)
        self.on_input(indata, frames, moment, None)

    def on_output(
        self, outdata: NDArray[np.float32], frames: int, _moment: Any, status: Any
    ) -> None:
        """Fill the next block to play."""
        self._note("output", status)
        if self.frames_played == 0:
            self.recorded_before_playing = self.frames_recorded
        outdata.fill(0)
        if not self.silenced:
            block = self.played[self.frames_played : self.frames_played + frames]
            outdata[: len(block), : block.shape[1]] = block
        self.frames_played += frames

    def on_input(self, indata: NDArray[np.float32], frames: int, _moment: Any, status: Any) -> None:
        """Keep the block just recorded."""
        self._note("input", status)
        free = self.recorded[self.frames_recorded :]
        kept = min(frames, len(free))
        free[:kept] = indata[:kept]
        self.frames_recorded += kept
        self.deliveries.append((self.last_block_s["input"], self.frames_recorded))
        wanted = self.recorded_before_playing + len(self.played)
        full = self.frames_recorded >= len(self.recorded)
        if full or (self.frames_played >= len(self.played) and self.frames_recorded >= wanted):
            self.ended.set()

    def _note(self, direction: Direction, status: Any) -> None:
        self.last_block_s[direction] = time.perf_counter()
        self.blocks[direction] += 1
        if status:
            self.flagged.update(flag for flag in FLAGS if getattr(status, flag))
            self.flagged_frames.append(self.frames_recorded)

    def flag_events(self) -> tuple[str, ...]:
        """Return a sentence for every kind of flag that PortAudio raised."""
        return tuple(
            f"{FLAGS[flag]} reported in {count} of {self.blocks[_direction(flag)]} blocks"
            for flag, count in sorted(self.flagged.items())
        )

    def delivered_rate_hz(self) -> float | None:
        """Frames recorded per second of wall time, by a straight line through the blocks.

        None when the passage was shorter than 2 s: blocks arrive in bursts, so
        a short passage says nothing.
        """
        times, frames = np.array(self.deliveries, dtype=float).reshape(-1, 2).T
        if len(times) < 8 or times[-1] - times[0] < 2.0:
            return None
        return float(np.polyfit(times - times[0], frames, 1)[0])


def _direction(flag: str) -> Direction:
    return "input" if flag.startswith("input") else "output"
