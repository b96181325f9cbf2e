"""The audio server ends while we measure and is started again: what was kept stays, all goes on."""

from __future__ import annotations

import pathlib
import signal
import sys
import time

import pytest
from harness import Room, jack_room

from roomtune.session.folder import latest

PROGRAM = [sys.executable, "-c", "from roomtune.cli.main import main; main()"]
SYSTEM = """\
name = "two loudspeakers"
[[channels]]
name = "L"
[[channels]]
name = "R"
[[loudspeakers]]
name = "left"
channel = "L"
[[loudspeakers]]
name = "right"
channel = "R"
[[outputs]]
name = "left driver"
number = 1
loudspeaker = "left"
driver = "full range"
playback = { interface_output = 1 }
safe_band_hz = [20.0, 20000.0]
maximum_level_dbfs = -12.0
[[outputs]]
name = "right driver"
number = 2
loudspeaker = "right"
driver = "full range"
playback = { interface_output = 2 }
safe_band_hz = [20.0, 20000.0]
maximum_level_dbfs = -12.0
[[seats]]
name = "sofa"
main = true
[audio]
sample_rate_hz = 48000
output_device = "room"
input_device = "room"
"""
PROBE = "from roomtune.capture.jack_server import jack_answers; print(jack_answers())"
# PortAudio aborts the program when the server dies in the few ms in which it opens a stream.
IN_THE_NEXT_TAKE_S = 1.5
MEASURE = ["measure", "--yes", "--duration", "1", "--one-by-one"]


def first_take(folder: pathlib.Path, patience_s: float = 60) -> None:
    """Wait until a take is kept."""
    until = time.monotonic() + patience_s
    while not list(folder.glob("sessions/*/takes/*.json")):
        assert time.monotonic() < until, "no take was kept"
        time.sleep(0.05)


def resumed(room: Room, folder: pathlib.Path) -> str:
    """Measure what is missing, again where a busy machine spoilt a take; what was said."""
    for _ in range(3):
        done = room.run([*PROGRAM, *MEASURE, "--resume"], cwd=folder)
        if done.returncode == 0:
            break
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.mark.slow
def test_a_server_that_is_started_again_is_used_again(own_jack, tmp_path):
    (tmp_path / "system.toml").write_text(SYSTEM)
    child = own_jack.start([*PROGRAM, *MEASURE], cwd=tmp_path)
    first_take(tmp_path)
    time.sleep(IN_THE_NEXT_TAKE_S)
    own_jack.server.send_signal(signal.SIGKILL)
    stdout, stderr = child.communicate(timeout=60)
    session = latest(tmp_path)
    kept = session.entries()
    assert kept
    assert session.check() == ()
    if "takes are usable" not in stdout + stderr:  # it may have been done just in time
        assert child.returncode == 1, stdout + stderr
        assert "Traceback" not in stderr
        assert "disconnected or its sound server ended" in stderr
    with jack_room() as again:
        resumed(again, tmp_path)
    whole = latest(tmp_path)
    assert whole.path == session.path
    assert whole.entries()[: len(kept)] == kept
    assert {e.source for e in whole.entries()} == {"left driver", "right driver"}
    assert whole.check() == ()


def test_a_server_that_is_gone_is_known_before_a_stream_is_opened(own_jack):
    assert own_jack.run([sys.executable, "-c", PROBE]).stdout == "True\n"
    own_jack.server.send_signal(signal.SIGKILL)
    own_jack.server.wait(10)
    assert own_jack.run([sys.executable, "-c", PROBE]).stdout == "False\n"
