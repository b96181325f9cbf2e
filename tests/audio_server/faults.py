"""What a room process does wrong on purpose, when told so on its standard input.

lose SECONDS COUNT   from now on, in each of the next COUNT passages (sound
                     after silence), one block is lost SECONDS after the sound begins
again SECONDS COUNT  likewise, but the block before is heard again in its place
keep PATH            write what the loudspeakers get from now on to PATH (.npz): `played`
                     (blocks, samples, outputs) and `heard_s`, time.monotonic() of each
kept                 finish that file
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque

import numpy as np

RATE_HZ = 48000
RESERVE_BLOCKS = 8
SILENT_BLOCKS = 6


class Faults:
    """Delays the heard sound by a few blocks, so that some can be lost."""

    def __init__(self, block: int, inputs: int) -> None:
        self.block = block
        silence = np.zeros((block, inputs))
        self.delivered = silence
        self.reserve = deque(silence for _ in range(RESERVE_BLOCKS))
        self.fault = ""
        self.fails_after: int | None = None
        self.passages_left = 0
        self.since_onset: int | None = None
        self.quiet_blocks = SILENT_BLOCKS
        self.kept: list[tuple[float, np.ndarray]] | None = None
        self.path = ""
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        for line in sys.stdin:
            word, *rest = line.split()
            if word in ("lose", "again"):
                self.fault = word
                self.passages_left = int(rest[1])
                self.fails_after = round(float(rest[0]) * RATE_HZ / self.block)
            elif word == "keep":
                self.path, self.kept = rest[0], []
            elif word == "kept" and self.kept is not None:
                done, self.kept = self.kept, None
                heard_s, played = zip(*done, strict=True)
                np.savez(self.path, played=played, heard_s=heard_s)
            print("done", word, flush=True)

    def __call__(self, played: np.ndarray, heard: np.ndarray) -> np.ndarray:
        """Return the block to deliver now."""
        if self.kept is not None:
            self.kept.append((time.monotonic(), played.astype(np.float32)))
        self.reserve.append(heard)
        delivered = self.reserve.popleft()
        if self._fails(played):
            if self.fault == "again":
                delivered = self.delivered
            elif self.reserve:
                delivered = self.reserve.popleft()
        self.delivered = delivered
        return delivered

    def _fails(self, played: np.ndarray) -> bool:
        sounding = bool(np.any(played))
        self.quiet_blocks = 0 if sounding else self.quiet_blocks + 1
        if self.quiet_blocks >= SILENT_BLOCKS * 4:
            self.since_onset = None
        elif sounding and self.since_onset is None:
            self.since_onset = 0
        elif self.since_onset is not None:
            self.since_onset += 1
        if self.since_onset != self.fails_after or not self.passages_left:
            return False
        self.passages_left -= 1
        return True
