"""The commands themselves on real audio servers, against the known room."""

from __future__ import annotations

import pathlib
import sys

import numpy as np
import pytest
from harness import Room
from room import FREQUENCIES_HZ, spectrum

from roomtune.session.folder import Session

NAMES = ("left", "right", "left-surround", "right-surround", "centre")

SYSTEM = """\
name = "known room"
{channels}
{loudspeakers}
{outputs}

[[seats]]
name = "sofa"
main = true

[audio]
sample_rate_hz = 48000
output_device = "{output_device}"
input_device = "{input_device}"
reference_output = "centre-driver"
"""
CHANNEL = '[[channels]]\nname = "{}"'
LOUDSPEAKER = '[[loudspeakers]]\nname = "{}"\nchannel = "{}"'
OUTPUT = """\
[[outputs]]
name = "{name}-driver"
number = {number}
loudspeaker = "{name}"
driver = "full range"
playback = {{ interface_output = {number} }}
safe_band_hz = [20.0, 20000.0]
maximum_level_dbfs = -12.0
"""


def make_project(folder: pathlib.Path, room: Room) -> None:
    channels = ("L", "R", "Ls", "Rs", "C")
    text = SYSTEM.format(
        channels="\n".join(map(CHANNEL.format, channels)),
        loudspeakers="\n".join(map(LOUDSPEAKER.format, NAMES, channels)),
        outputs="\n".join(
            OUTPUT.format(name=name, number=number) for number, name in enumerate(NAMES, 1)
        ),
        output_device=room.output_device,
        input_device=room.input_device,
    )
    (folder / "system.toml").write_text(text)


def roomtune(room: Room, folder: pathlib.Path, *arguments: str):
    program = "from roomtune.cli.main import main; main()"
    return room.run([sys.executable, "-c", program, *arguments], cwd=folder)


@pytest.mark.parametrize("server", ["jack", "pulse"], indirect=True)
def test_measure_through_the_server_agrees_with_the_room(server, tmp_path):
    make_project(tmp_path, server)
    wanted = [option for name in NAMES[1:3] for option in ("--output", f"{name}-driver")]
    done = roomtune(server, tmp_path, "measure", "--yes", "--duration", "1", *wanted)
    assert done.returncode == 0, done.stdout + done.stderr
    takes = Session.latest(tmp_path).takes()
    assert [take.source for take in takes] == ["right-driver", "left-surround-driver"]
    zero_s = server.arrivals_s[4]  # where the centre's markers came from
    delays_us = []
    for take, output in zip(takes, (2, 3), strict=True):
        truth = spectrum(server.truth[output - 1, 0], -zero_s)
        response = take.impulse_response
        ratio = spectrum(response.samples, response.start_s) / truth
        assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.05  # asked for: 0.3 dB
        turns = 2 * np.pi * FREQUENCIES_HZ
        slope = np.polyfit(turns, np.unwrap(np.angle(ratio)), 1, w=np.abs(truth))[0]
        delays_us.append(-1e6 * slope)
    assert np.ptp(delays_us) < 2  # asked for: 20 us


def test_the_devices_command_lists_the_room(jack, tmp_path):
    done = roomtune(jack, tmp_path, "devices")
    assert done.returncode == 0, done.stderr
    assert "room" in done.stdout
    assert "JACK Audio Connection Kit" in done.stdout


def test_a_device_that_is_not_there_ends_with_status_2(jack, tmp_path):
    make_project(tmp_path, jack)
    path = tmp_path / "system.toml"
    path.write_text(path.read_text().replace('output_device = "room"', 'output_device = "attic"'))
    done = roomtune(jack, tmp_path, "measure", "--yes")
    assert done.returncode == 2
    assert "No output device fits 'attic'" in done.stderr
    assert "Traceback" not in done.stderr
