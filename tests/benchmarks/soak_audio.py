"""Takes through a real audio server, one after another: is every verdict explained?

    python tests/benchmarks/soak_audio.py [TAKES] [jack|pulse] [BURNING PROCESSES]

Starts the server of the audio tests with the known room behind it, and measures in one
process sweeps of 0.5 s of its five loudspeakers in turn, one attempt each. Prints how
many takes were good, and for every other one what was found and what the sound system
reported of the stream. A verdict is unexplained when a take is not good and neither
its findings nor the stream's events say why, or when a good take differs from the first
good one of its output by more than 0.5 dB (200 Hz to 5 kHz) or 0.1 ms. Processes that
burn processor time meanwhile provoke lost blocks.
"""

from __future__ import annotations

import contextlib
import itertools
import multiprocessing
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

SERVERS = Path(__file__).parents[1] / "audio_server"
sys.path.insert(0, str(SERVERS))
BAND_HZ = np.geomspace(200.0, 5000.0, 60)
LEVEL_DB, DELAY_S = 0.5, 1e-4


def child(devices: list[str], count: int) -> None:
    """Measure, in the process that sees the server."""
    from measuring import RATE_HZ, SETTINGS, request

    from roomtune.capture.measure import capture_take
    from roomtune.capture.portaudio import PortAudioInterface
    from roomtune.signal.sweeps import Sweep

    interface = PortAudioInterface(*devices, RATE_HZ)
    settings = replace(SETTINGS, sweep_duration_s=0.5, lead_s=0.3)
    verdicts: Counter[str] = Counter()
    unexplained = 0
    first: dict[int, np.ndarray] = {}
    for number, output in enumerate(itertools.islice(itertools.cycle(range(1, 6)), count), 1):
        asked = request(output, "loopback")
        sweep = Sweep(20.0, 20000.0, 0.5, float(RATE_HZ))
        captured = capture_take(interface, replace(asked, settings=settings, sweep=sweep))
        verdict = captured.take.verdict
        verdicts[verdict.grade] += 1
        values = captured.take.impulse_response.response_at(BAND_HZ).values
        if verdict.grade == "good":
            fault = off_truth(first.setdefault(output, values), values)
        else:
            fault = "" if verdict.findings or captured.recording.events else "nothing said"
            codes = "; ".join(f"{f.code} ({f.text})" for f in verdict.findings)
            print(f"take {number} {verdict.grade}: {codes} | {captured.recording.events}")
        unexplained += bool(fault)
        if fault:
            print(f"take {number} UNEXPLAINED: {fault}")
        sys.stdout.flush()
    print(f"{count} takes: {dict(verdicts)}, {unexplained} unexplained")
    raise SystemExit(1 if unexplained else 0)


def off_truth(first: np.ndarray, values: np.ndarray) -> str:
    """What differs from the first good take of that output; "" when nothing does."""
    ratio = values / first
    level_db = float(np.max(np.abs(20 * np.log10(np.abs(ratio)))))
    slope = np.polyfit(2 * np.pi * BAND_HZ, np.unwrap(np.angle(ratio)), 1)[0]
    if level_db > LEVEL_DB or abs(slope) > DELAY_S:
        return f"good, yet {level_db:.2f} dB and {1e6 * slope:.0f} us off the first"
    return ""


def burn() -> None:
    """Keep a core busy."""
    while True:
        sum(range(10_000))


def main() -> int:
    """Start the room, and the process that measures in it."""
    from harness import jack_room, pulse_room

    words = sys.argv[1:]
    count = words[0] if words else "200"
    room_of = {"jack": jack_room, "pulse": pulse_room}[words[1] if len(words) > 1 else "jack"]
    burners = [multiprocessing.Process(target=burn, daemon=True)
               for _ in range(int(words[2]) if len(words) > 2 else 0)]  # fmt: skip
    with contextlib.ExitStack() as stack:
        room = stack.enter_context(room_of())
        for burner in burners:
            burner.start()
            stack.callback(burner.terminate)
        begin = time.monotonic()
        devices = [room.output_device, room.input_device]
        command = [sys.executable, __file__, "--child", *devices, count]
        done = room.run(command, timeout_s=60 + 20 * int(count))
        lines = [line for line in done.stderr.splitlines() if line and "ALSA lib" not in line]
        print(done.stdout, *[line for line in lines if "Expression '" not in line], sep="\n")
        print(f"{time.monotonic() - begin:.0f} s, server and room alive: {room.alive}")
    return done.returncode


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2:4], int(sys.argv[4]))
    raise SystemExit(main())
