"""The room between two PulseAudio null sinks: python pulse_room.py [NOISE].

Listens to the monitor of the sink "loudspeakers" and plays what a microphone
would hear to the sink "microphone", by the server's own command-line tools.
"""

from __future__ import annotations

import subprocess
import sys

import numpy as np
from faults import Faults
from room import INPUTS, OUTPUTS, RATE_HZ, BlockConvolver, known_room

BLOCK = 1024
SIX = "front-left,front-right,rear-left,rear-right,front-center,lfe"
TWO = "front-left,front-right"


def main(noise: float = 1e-6) -> None:
    common = ["--raw", "--format=float32le", f"--rate={RATE_HZ}"]
    listening = subprocess.Popen(
        ["parec", "--device=loudspeakers.monitor", f"--channels={OUTPUTS}",
         f"--channel-map={SIX}", "--latency-msec=40", *common],
        stdout=subprocess.PIPE,
    )  # fmt: skip
    playing = subprocess.Popen(
        ["pacat", "--playback", "--device=microphone", f"--channels={INPUTS}",
         f"--channel-map={TWO}", "--latency-msec=300", *common],
        stdin=subprocess.PIPE,
    )  # fmt: skip
    assert listening.stdout is not None
    assert playing.stdin is not None
    convolve = BlockConvolver(known_room(), BLOCK)
    faults = Faults(BLOCK, INPUTS)
    random = np.random.default_rng(1)
    print("ready", flush=True)
    size = BLOCK * OUTPUTS * 4
    while len(raw := listening.stdout.read(size)) == size:
        played = np.frombuffer(raw, "<f4").reshape(BLOCK, OUTPUTS).astype(float)
        heard = convolve(played)
        heard[:, 0] += noise * random.standard_normal(BLOCK)
        playing.stdin.write(faults(played, heard).astype("<f4").tobytes())
        playing.stdin.flush()
    listening.terminate()
    playing.terminate()


if __name__ == "__main__":
    main(*map(float, sys.argv[1:]))
