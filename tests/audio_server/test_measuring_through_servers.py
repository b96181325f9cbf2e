"""Responses and delays measured through real audio servers against the known room."""

from __future__ import annotations

import pathlib
import sys

import numpy as np
import pytest
from harness import HERE, Room
from room import FREQUENCIES_HZ, spectrum

MEASURING = [sys.executable, HERE / "measuring.py"]
EITHER = pytest.mark.parametrize("server", ["jack", "pulse"], indirect=True)


def measured(room: Room, folder: pathlib.Path, reference: str, *outputs: int) -> dict:
    path = folder / "measured.npz"
    devices = [room.output_device, room.input_device]
    done = room.run([*MEASURING, *devices, path, reference, *outputs])
    assert done.returncode == 0, done.stderr
    with np.load(path) as result:
        return dict(result)


def errors(room: Room, result: dict, outputs: tuple[int, ...], zero_s: float) -> tuple:
    """Level errors in dB (outputs, frequencies) and delay errors in us (outputs,).

    The delay error is the slope of the phase error over frequency, weighted by
    the magnitude of the true response.
    """
    levels, delays = [], []
    for place, output in enumerate(outputs):
        truth = spectrum(room.truth[output - 1, 0], -zero_s)
        found = spectrum(result["samples"][place], result["start_s"][place])
        ratio = found / truth
        levels.append(20 * np.log10(np.abs(ratio)))
        phase = np.unwrap(np.angle(ratio))
        turns = 2 * np.pi * FREQUENCIES_HZ
        slope = np.polyfit(turns, phase, 1, w=np.abs(truth))[0]
        delays.append(-slope * 1e6)
    return np.array(levels), np.array(delays)


@EITHER
def test_responses_and_delays_with_the_acoustic_reference(server, tmp_path):
    outputs = (1, 4)
    result = measured(server, tmp_path, "acoustic", *outputs)
    assert list(result["references"]) == ["acoustic"] * 2
    assert "repeat" not in result["grades"]
    zero_s = server.arrivals_s[server.loudspeakers - 1]  # where the markers came from
    levels_db, delays_us = errors(server, result, outputs, zero_s)
    print("attempts:", result["attempted"].tolist(), result["attempt_codes"].tolist())
    print("largest errors:", np.abs(levels_db).max(), "dB,", np.ptp(delays_us), "us")
    assert np.max(np.abs(levels_db)) < 0.05  # asked for: 0.3 dB
    assert np.ptp(delays_us) < 2  # between outputs; asked for: 20 us
    assert np.max(np.abs(delays_us)) < 20  # and of the marker's own arrival


def test_a_loopback_gives_absolute_delay_and_polarity(jack, tmp_path):
    result = measured(jack, tmp_path, "loopback", 1, 3)
    assert list(result["references"]) == ["loopback"] * 2
    levels_db, delays_us = errors(jack, result, (1, 3), 0.0)
    assert np.max(np.abs(levels_db)) < 0.05
    assert np.max(np.abs(delays_us)) < 1
    peaks = [samples[np.argmax(np.abs(samples))] for samples in result["samples"]]
    assert np.sign(peaks).tolist() == [1, -1]


@pytest.mark.parametrize(
    ("server", "fault", "finding"),
    [
        ("jack", "lose", "lost samples"),
        ("jack", "again", "impulsive noise"),
        ("pulse", "lose", "samples"),  # the server fills the gap, or shortens it
    ],
    indirect=["server"],
)
def test_a_spoilt_block_is_named_and_the_repeat_mends_it(server, tmp_path, fault, finding):
    server.tell(f"{fault} 1.5 1")  # in the middle of the first sweep
    result = measured(server, tmp_path, "acoustic", 2)
    assert list(result["attempted"]) == ["output 2"] * len(result["attempted"])
    assert result["attempt_grades"][0] == "repeat"
    assert finding in result["attempt_codes"][0]
    assert result["grades"][0] != "repeat"
    zero_s = server.arrivals_s[server.loudspeakers - 1]
    levels_db, delays_us = errors(server, result, (2,), zero_s)
    assert np.max(np.abs(levels_db)) < 0.05
    assert np.max(np.abs(delays_us)) < 20
