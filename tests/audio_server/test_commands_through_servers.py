"""The commands themselves on real audio servers, against the known room."""

from __future__ import annotations

import pathlib
import signal
import sys
import time
from subprocess import CompletedProcess

import numpy as np
from harness import Room
from room import FREQUENCIES_HZ, spectrum

from roomtune.session.folder import latest

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


MEASURE = ("measure", "--yes", "--duration", "1")
TWO = tuple(word for name in NAMES[1:3] for word in ("--output", f"{name}-driver"))


def finish_measuring(room: Room, folder: pathlib.Path, done: CompletedProcess) -> None:
    """Do as the command says when a busy machine spoilt a take three times: resume."""
    for _ in range(3):
        if done.returncode == 1 and "Measure again" in done.stdout + done.stderr:
            done = roomtune(room, folder, *MEASURE, "--resume", *TWO)
    assert done.returncode == 0, done.stdout + done.stderr


def check_against_the_room(room: Room, folder: pathlib.Path) -> None:
    """Level within 0.05 dB (asked for: 0.3), delays between outputs 2 us (asked for: 20)."""
    takes = sorted(latest(folder).takes(), key=lambda take: NAMES.index(take.source[:-7]))
    assert [take.source for take in takes] == ["right-driver", "left-surround-driver"]
    zero_s = room.arrivals_s[4]  # where the centre's markers came from
    delays_us = []
    for take, output in zip(takes, (2, 3), strict=True):
        truth = spectrum(room.truth[output - 1, 0], -zero_s)
        response = take.impulse_response
        ratio = spectrum(response.samples, response.start_s) / truth
        assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.05
        turns = 2 * np.pi * FREQUENCIES_HZ
        slope = np.polyfit(turns, np.unwrap(np.angle(ratio)), 1, w=np.abs(truth))[0]
        delays_us.append(-1e6 * slope)
    assert np.ptp(delays_us) < 2


def test_measure_through_pulseaudio_agrees_with_the_room(pulse, tmp_path):
    make_project(tmp_path, pulse)
    finish_measuring(pulse, tmp_path, roomtune(pulse, tmp_path, *MEASURE, *TWO))
    check_against_the_room(pulse, tmp_path)


def first_take_kept(folder: pathlib.Path) -> bool:
    return any(folder.glob("sessions/*/session.json")) and latest(folder).entries() != ()


def test_an_interrupted_measurement_is_silent_keeps_its_takes_and_resumes(jack, tmp_path):
    make_project(tmp_path, jack)
    kept = tmp_path / "kept.npz"
    program = "from roomtune.cli.main import main; main()"
    child = jack.start([sys.executable, "-c", program, *MEASURE, *TWO], cwd=tmp_path)
    until_s = time.monotonic() + 60
    while not first_take_kept(tmp_path):
        assert child.poll() is None, child.communicate()
        assert time.monotonic() < until_s
        time.sleep(0.05)
    jack.tell(f"keep {kept}")
    time.sleep(3.0)  # lead-in, markers: the second sweep is on its way
    interrupted_s = time.monotonic()
    child.send_signal(signal.SIGINT)
    _, stderr = child.communicate(timeout=20)
    time.sleep(0.3)
    jack.tell("kept")
    assert child.returncode == 1
    assert "Traceback" not in stderr
    with np.load(kept) as heard:
        sounding = np.any(heard["played"], axis=(1, 2))
        last_s = heard["heard_s"][np.flatnonzero(sounding)[-1]]
    assert -0.1 < last_s - interrupted_s < 0.1
    assert len(latest(tmp_path).takes()) == 1

    finish_measuring(jack, tmp_path, roomtune(jack, tmp_path, *MEASURE, "--resume", *TWO))
    check_against_the_room(jack, tmp_path)


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
