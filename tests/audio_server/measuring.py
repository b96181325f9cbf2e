"""Measure through the server in a child process, as JACK and PortAudio want it.

    python measuring.py OUTPUT_DEVICE INPUT_DEVICE RESULT.npz acoustic|loopback 1 2 3 ...
    python measuring.py OUTPUT_DEVICE INPUT_DEVICE tone [SECONDS [RATE]]

The first measures the given outputs and writes every attempt; the second plays a
tone of 5 s. Errors for people end on standard error with their exit status.
"""

from __future__ import annotations

import sys

import numpy as np
from room import LOUDSPEAKERS, OUTPUTS

from roomtune.capture.measure import CapturedTake, capture_many
from roomtune.capture.portaudio import PortAudioInterface
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.errors import RoomtuneError
from roomtune.signal.sweeps import Sweep

RATE_HZ = 48000
SETTINGS = CaptureSettings(
    sweep_duration_s=1.2, lead_s=0.4, tail_s=0.3, end_s=0.2, maximum_attempts=6
)
MARKER = Marker(1500.0, 8000.0, 0.1, -12.0)
REFERENCES = {
    "acoustic": Reference("acoustic", MARKER, interface_output=LOUDSPEAKERS),
    "loopback": Reference("loopback", MARKER, interface_output=OUTPUTS, interface_input=2),
}


def request(output: int, reference: str) -> TakeRequest:
    """One take of one output of the known room."""
    return TakeRequest(
        source=f"output {output}",
        kind="output",
        seat="sofa",
        interface_output=output,
        sweep=Sweep(20.0, 20000.0, SETTINGS.sweep_duration_s, float(RATE_HZ)),
        level_dbfs=-12.0,
        reference=REFERENCES[reference],
        settings=SETTINGS,
    )


def measure(devices: list[str], path: str, reference: str, outputs: list[int]) -> None:
    interface = PortAudioInterface(*devices, RATE_HZ)
    attempts: list[CapturedTake] = []
    requests = [request(output, reference) for output in outputs]
    captured = capture_many(interface, requests, on_captured=attempts.append)
    best = [item.take for item in captured]
    np.savez(
        path,
        samples=np.stack([take.impulse_response.samples for take in best]),
        start_s=np.array([take.impulse_response.start_s for take in best]),
        references=np.array([take.reference for take in best]),
        grades=np.array([take.verdict.grade for take in best]),
        attempted=np.array([item.request.source for item in attempts]),
        attempt_grades=np.array([item.take.verdict.grade for item in attempts]),
        attempt_codes=np.array(
            ["; ".join(f.code for f in item.take.verdict.findings) for item in attempts]
        ),
    )


def play_tone(devices: list[str], seconds: float = 5.0, sample_rate_hz: float = RATE_HZ) -> None:
    interface = PortAudioInterface(*devices, sample_rate_hz)
    time_s = np.arange(round(seconds * sample_rate_hz)) / sample_rate_hz
    signals = np.zeros((len(time_s), OUTPUTS))
    signals[:, [0, OUTPUTS - 1]] = 0.25 * np.sin(2 * np.pi * 1000 * time_s)[:, None]
    print("playing", flush=True)
    interface.play_and_record(signals, [1, 2])
    print("played", flush=True)


if __name__ == "__main__":
    try:
        if sys.argv[3] == "tone":
            play_tone(sys.argv[1:3], *map(float, sys.argv[4:]))
        else:
            measure(sys.argv[1:3], sys.argv[3], sys.argv[4], list(map(int, sys.argv[5:])))
    except RoomtuneError as error:
        print(error, file=sys.stderr)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        sys.exit(130)
