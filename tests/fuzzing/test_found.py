"""What once fell, each with the sentence that stands in its place now."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import soundfile
from readers import RATE, READERS, outcome
from specimens import flac_said_to_be_long

from roomtune.capture import reading
from roomtune.capture.requests import Marker, Reference, TakeRequest
from roomtune.capture.stimulus import schedule
from roomtune.capture.timing import MarkerTimes
from roomtune.signal.deconvolution import deconvolve
from roomtune.signal.recording import Recording
from roomtune.signal.sweeps import Sweep, sweep_signal

BY_NAME = {reader.name: reader for reader in READERS}
Change = Callable[[bytes], bytes]


def at(*path: Any, value: Any) -> Change:
    """Another value at a place in JSON."""

    def change(data: bytes) -> bytes:
        plain = json.loads(data)
        inner = plain
        for key in path[:-1]:
            inner = inner[key]
        inner[path[-1]] = value
        return json.dumps(plain).encode()

    return change


def sound(samples: Any, form: str = "WAV", subtype: str = "PCM_16") -> bytes:
    file = io.BytesIO()
    soundfile.write(file, np.asarray(samples), RATE, format=form, subtype=subtype)
    return file.getvalue()


def always(data: bytes) -> Change:
    return lambda good: data


SIGNALLING = np.frombuffer(b"\x01" + bytes(5) + b"\xf0\x7f")[0]  # a NaN that traps (IEEE 754)
DEEP = b"[" * 100_000
PROMISING = flac_said_to_be_long(sound(np.zeros(800), "FLAC"))
SETTINGS = ("takes", 0, "request", "settings")
SWEEP = ("takes", 0, "request", "sweep")
FOUND: list[tuple[str, Change, str]] = [
    ("harmonics", always(sound(np.zeros(9))), "is damaged"),
    ("session index", always(DEEP), "cannot be read"),
    ("session index", at("takes", 0, "number", value="one"), "number"),
    ("session index", at("files", value=[]), "files"),
    ("session index", at("files", "system.toml", "bytes", value=None), "bytes"),
    ("session index", at("created_at", value="0001-01-01T00:00:00"), "is damaged"),
    ("session index", at("created_at", value="yesterday"), "is damaged"),
    ("session index", at("current", value={"tuning": "../../tuning.json"}), "not inside"),
    ("session index", at("current", value={"tuning": "x" * 5000}), "not inside"),
    ("session index", at("current", value={"tuning": "\ud800"}), "half a character"),
    ("session to change", at("notes", 0, "text", value="\ud800"), "half a character"),
    ("tuning", at("outputs", 0, "name", value="\udfff"), "half a character"),
    ("system to write a level into", always(b"x = " + DEEP), "write into it by hand"),
    ("system to write a level into", always(b"x = " + b"9" * 5000), "write into it by hand"),
    ("take", always(DEEP), "cannot be read"),
    ("take", at("take", "level_dbfs", value=10**400), "far too many digits"),
    ("take", at("take", "noise", "density", value={"start": 0, "step": 1, "count": 10**12}),
     "evenly spaced values"),
    ("take", at("take", "noise", "density", value={"start": 0}), "is damaged"),
    ("take", at("take", "noise", "density", value=[1, "x"]), "not an array of numbers"),
    ("take", at("take", "impulse_response", "start_s", value="soon"), "is damaged"),
    ("take", at("take", "stimulus", "sample_rate_hz", value=1e308), "is damaged"),
    ("take", at("recording", "file", value="/etc/passwd"), "not inside"),
    ("take left by a crash", at("take", "verdict", value=None), "is damaged"),
    ("target curve", always(b"\x8020 3.0\n1000 0\n20000 -4.5\n"), "cannot be read"),
    ("target curve", always(b"20 1e400\n1000 1e300\n"), "at least 2 are needed"),
    ("verification", at("content", "rows", 0, "judged", value=[True]), "do not fit"),
    ("verification", at("content", "rows", 0, "judged", value=[1, 2, 3]), "true or false"),
    ("verification", at("content", "rows", value=[]), "without rows"),
    ("advice", always(DEEP), "cannot be read"),
    ("table layout", always(b"x = " + DEEP), "cannot be read"),
    ("virtual room", always(b"x = " + DEEP), "cannot be read"),
    ("wish", always(b"x = " + DEEP[:2000]), "is not of the form"),
    ("playback plan", at("takes", value=[]), "no takes"),
    ("playback plan", at("sample_rate_hz", value=0), "sample_rate_hz"),
    ("playback plan", at("takes", 0, "start_s", value=-1e308), "start_s"),
    ("playback plan", at(*SETTINGS, "lead_s", value=-1e308), "lead_s"),
    ("playback plan", at(*SETTINGS, "tail_s", value=0), "tail_s"),
    ("playback plan", at(*SETTINGS, "marker_s", value=10**400), "marker_s"),
    ("playback plan", at(*SWEEP, "duration_s", value=1e308), "has no length, or more than"),
    ("playback plan", at(*SWEEP, "duration_s", value=-1e308), "has no length, or more than"),
    ("playback plan", at("takes", 0, "request", "interface_output", value=0), "interface_output"),
    ("system that advice followed", at("target", value={"shape": "file", "curve_file": "../x"}),
     "not inside"),
    *(("song to render", always(sound([value, SIGNALLING], subtype="DOUBLE")), "no numbers")
      for value in (0.1, np.nan, np.inf)),
    *((name, always(PROMISING), "") for name in ("impulse response", "raw recording", "taps")),
    *((name, always(PROMISING), "") for name in ("recording", "song to render")),
    *((name, always(sound(np.zeros((2, 300)))), "") for name in ("recording", "taps")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "change", "sentence"), FOUND, ids=[f"{n}-{i}" for i, (n, _, _) in enumerate(FOUND)]
)
def test_what_was_found_is_answered(specimens, name, change, sentence):
    folder, seeds = specimens
    reader, good = BY_NAME[name], seeds[name][0]
    try:
        said = outcome(reader, folder, change(good))
    finally:
        (folder / reader.place).write_bytes(good)
    assert said, "it was read as if nothing were wrong"
    assert sentence in said


def test_a_response_longer_than_the_whole_recording_is_recovered():
    """The window of the response did not fit on the circle of so short a recording."""
    sweep = Sweep(200.0, 3000.0, 0.1, float(RATE))
    played = np.concatenate([sweep_signal(sweep), np.zeros(20)])
    found = deconvolve(played, sweep, 0.0, tail_s=0.3)
    peak = int(np.argmax(np.abs(found.linear.samples)))
    assert found.linear.times_s[peak] == pytest.approx(0, abs=1 / RATE)


def test_markers_that_would_mean_an_impossible_clock_are_none(monkeypatch):
    """A clock 40 % fast was believed, and the resampler given a rate below zero later."""
    reference = Reference("acoustic", Marker(1000.0, 3000.0, 0.1, -12.0), 1)
    sweep = Sweep(200.0, 3000.0, 0.5, float(RATE))
    request = TakeRequest("woofer", "output", "main", 1, sweep, -12.0, reference)
    plan = schedule(request)
    recording = Recording(np.zeros((10, 1)), float(RATE))

    def found(drift: float) -> MarkerTimes:
        instants = 0.3 + np.array(plan.markers_s) * (1 + drift)
        return MarkerTimes(instants, np.zeros(4), 1e-6, 1.0, np.ones((4, 9), dtype=complex), 0.0)

    clocks = {}
    for drift in (1e-4, 0.4, -0.4):
        monkeypatch.setattr(reading, "find_markers", lambda *_, drift=drift: found(drift))
        clocks[drift] = reading._read_clock(recording, request, plan)[1]
    assert clocks[1e-4] is not None
    assert clocks[1e-4].drift_ppm == pytest.approx(100, abs=0.1)
    assert clocks[0.4] is clocks[-0.4] is None
