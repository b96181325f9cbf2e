"""The room as a JACK client: python jack_room.py SERVER [NOISE]."""

from __future__ import annotations

import signal
import sys
import threading

import jack
import numpy as np
from faults import Faults
from room import INPUTS, OUTPUTS, BlockConvolver, known_room


def main(server: str, noise: float = 1e-6) -> None:
    client = jack.Client("room", no_start_server=True, servername=server)
    ended = threading.Event()
    block = client.blocksize
    convolve = BlockConvolver(known_room(), block)
    faults = Faults(block, INPUTS)
    random = np.random.default_rng(1)
    amplifier = [client.inports.register(f"amplifier_{k + 1}") for k in range(OUTPUTS)]
    microphone = [client.outports.register(f"microphone_{k + 1}") for k in range(INPUTS)]

    @client.set_process_callback
    def process(frames: int) -> None:
        played = np.stack([port.get_array() for port in amplifier], axis=1).astype(float)
        heard = convolve(played)
        heard[:, 0] += noise * random.standard_normal(frames)
        delivered = faults(played, heard)
        for number, port in enumerate(microphone):
            port.get_array()[:] = delivered[:, number]

    client.set_shutdown_callback(lambda *_: ended.set())
    signal.signal(signal.SIGTERM, lambda *_: ended.set())  # jackd hangs on clients that just die
    with client:
        print("ready", flush=True)
        while not ended.wait(0.1):
            pass


if __name__ == "__main__":
    main(sys.argv[1], *map(float, sys.argv[2:]))
