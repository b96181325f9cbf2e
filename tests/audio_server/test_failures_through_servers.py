"""What goes wrong with real audio servers, and what is said and done then."""

from __future__ import annotations

import signal
import sys
import time

import numpy as np
import pytest
from harness import HERE, Room

MEASURING = [sys.executable, HERE / "measuring.py"]
EITHER = pytest.mark.parametrize("server", ["jack", "pulse"], indirect=True)
OWN = pytest.mark.parametrize("server", ["own_jack", "own_pulse"], indirect=True)
WHILE_IT_SOUNDS_S = 2.5


def playing_tone(room: Room):
    """A child process that plays a tone of 5 s, well on its way."""
    child = room.start([*MEASURING, room.output_device, room.input_device, "tone"])
    assert child.stdout.readline() == "playing\n"
    time.sleep(WHILE_IT_SOUNDS_S)
    return child


def one_sentence(text: str) -> str:
    """The only thing said on standard error besides the sound libraries' own lines."""
    said = [
        line
        for line in text.splitlines()
        if line and not line.startswith(("Expression '", "ALSA lib"))
    ]
    assert len(said) == 1, text
    return said[0]


@EITHER
def test_an_interruption_silences_within_100_ms(server, tmp_path):
    child = playing_tone(server)
    path = tmp_path / "kept.npz"
    server.tell(f"keep {path}")
    time.sleep(0.4)
    interrupted_s = time.monotonic()
    child.send_signal(signal.SIGINT)
    _, stderr = child.communicate(timeout=20)
    time.sleep(0.3)
    server.tell("kept")
    assert child.returncode == 130, stderr
    with np.load(path) as kept:
        sounding = np.any(kept["played"], axis=(1, 2))
        heard_s = kept["heard_s"]
    assert sounding[:5].all()
    assert not sounding[-5:].any()
    silent_after_s = heard_s[np.flatnonzero(sounding)[-1]] - interrupted_s
    print(f"last sounding block {1000 * silent_after_s:.0f} ms after the interruption")
    assert silent_after_s < 0.1


def test_a_refused_sample_rate_tells_which_is_taken(jack):
    done = jack.run([*MEASURING, jack.output_device, jack.input_device, "tone", 1, 96000])
    assert done.returncode == 2
    assert one_sentence(done.stderr) == (
        "The output device 'room, JACK Audio Connection Kit' refuses 96000 Hz (Invalid sample "
        "rate [PaErrorCode -9997]); it takes 48000. Set sample_rate_hz in [audio] accordingly."
    )


@EITHER
def test_the_devices_are_listed_by_name_and_host(server):
    listing = "from roomtune.capture.devices import list_devices; print(*list_devices(), sep='\\n')"
    done = server.run([sys.executable, "-c", listing])
    assert done.returncode == 0, done.stderr
    expected = "room, JACK Audio Connection Kit (2 in, 6 out)"
    if server.output_device != "room":
        expected = "loudspeakers, ALSA (32 in, 32 out)"
    assert expected in done.stdout


ONE_OUTPUT = """
import sys
import numpy as np
from roomtune.capture.portaudio import PortAudioInterface

tone = 0.25 * np.sin(2 * np.pi * 1000 * np.arange(24000) / 48000)
PortAudioInterface(*sys.argv[1:], 48000).play_and_record(tone[:, None], [1])
"""


@pytest.mark.parametrize("device", ["loudspeakers", "pulse", "default"])
def test_a_sound_server_plays_on_no_other_output_than_meant(pulse, tmp_path, device):
    """Too few channels are spread by the server: a woofer's sweep in a tweeter."""
    path = tmp_path / "kept.npz"
    pulse.tell(f"keep {path}")
    done = pulse.run([sys.executable, "-c", ONE_OUTPUT, device, "microphone"])
    time.sleep(0.3)
    pulse.tell("kept")
    assert done.returncode == 0, done.stderr
    with np.load(path) as kept:
        peaks = np.max(np.abs(kept["played"]), axis=(0, 1))
    assert peaks == pytest.approx([0.25, 0, 0, 0, 0, 0], abs=1e-4)


def test_an_unknown_device_lists_the_candidates(jack):
    done = jack.run([*MEASURING, "balcony", jack.input_device, "tone"])
    assert done.returncode == 2
    assert "No output device fits 'balcony'" in one_sentence(done.stderr)
    assert "room, JACK Audio Connection Kit (2 in, 6 out)" in done.stderr


@OWN
def test_a_server_that_dies_on_the_way_gives_one_sentence(server):
    child = playing_tone(server)
    server.server.kill()
    stdout, stderr = child.communicate(timeout=20)
    assert child.returncode == 1, stderr
    assert "played" not in stdout
    assert "was disconnected or its sound server ended" in one_sentence(stderr)


def test_a_device_that_vanishes_on_the_way_gives_one_sentence(own_jack):
    child = playing_tone(own_jack)
    own_jack.process.kill()
    _, stderr = child.communicate(timeout=20)
    assert child.returncode == 1, stderr
    assert "went dead" in one_sentence(stderr)


def test_a_silent_microphone_is_told_by_name(own_jack):
    """Another client's inputs stay unconnected: exact zeros, like a missing permission."""
    done = own_jack.run([*MEASURING, own_jack.output_device, "system", "tone", 1])
    assert done.returncode == 1
    assert "recorded nothing but digital silence" in one_sentence(done.stderr)
