"""Real audio servers with a known room in between, for tests.

    with jack_room() as room:                      # or pulse_room()
        done = room.run([sys.executable, "-m", "roomtune.cli.main", "measure"], cwd=project)

`room.environment` holds the variables that let PortAudio in a child process find
the server (JACK and PortAudio look only once, so measure in child processes);
`room.output_device` and `room.input_device` name the devices for system.toml;
`room.truth` is (outputs 6, inputs 2, samples) at 48 kHz, full scale to full scale:
outputs 1 to 5 drive loudspeakers into input 1, the microphone (output 3 is
reversed); output 6 is a loopback cable into input 2. `room.arrivals_s` are the
exact direct-sound delays. `room.tell("lose 1.0 1")` makes a fault, see faults.py.

The fixtures `jack` and `pulse` in conftest.py give one such room for all tests.
They skip where a server is not installed, unless ROOMTUNE_REQUIRE_AUDIO=1.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import IO

import numpy as np
from room import ARRIVALS_S, LOUDSPEAKERS, known_room

HERE = pathlib.Path(__file__).parent
READY_S = 20.0


@dataclass
class Room:
    """A running server with the room behind it."""

    environment: dict[str, str]
    output_device: str
    input_device: str
    server: subprocess.Popen
    process: subprocess.Popen
    log: IO[str]
    truth: np.ndarray = field(default_factory=known_room)
    arrivals_s: tuple[float, ...] = ARRIVALS_S
    loudspeakers: int = LOUDSPEAKERS
    microphone_input: int = 1
    loopback_output: int = LOUDSPEAKERS + 1
    loopback_input: int = 2
    sample_rate_hz: float = 48000.0

    @property
    def alive(self) -> bool:
        """Whether both the server and the room process run."""
        return self.server.poll() is None and self.process.poll() is None

    def obituary(self) -> str:
        """How the server and the room process ended, and what they wrote."""
        return f"server {self.server.poll()}, room {self.process.poll()}:\n{_read(self.log)}"

    def start(self, command: Sequence[object], **options: object) -> subprocess.Popen:
        """Start a child process that sees this server, and that Ctrl-C can reach."""
        return subprocess.Popen(
            [str(part) for part in command],
            env=self.environment,
            preexec_fn=hear_interrupts,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **options,
        )

    def run(
        self, command: Sequence[object], timeout_s: float = 120, **options: object
    ) -> subprocess.CompletedProcess:
        """Run a child process that sees this server to its end."""
        child = self.start(command, **options)
        try:
            stdout, stderr = child.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            child.kill()
            stdout, stderr = child.communicate()
            raise AssertionError(f"no end within {timeout_s} s:\n{stdout}\n{stderr}") from None
        return subprocess.CompletedProcess(child.args, child.returncode, stdout, stderr)

    def tell(self, line: str) -> None:
        """Tell the room process to make a fault, and wait until it has heard."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline()
        assert answer.startswith("done"), answer


@contextlib.contextmanager
def jack_room() -> Iterator[Room]:
    """Start JACK with its dummy driver and the room as its client "room"."""
    with contextlib.ExitStack() as stack:
        name = stack.enter_context(_server_name())
        environment = _environment() | {
            "JACK_DEFAULT_SERVER": name,
            "JACK_NO_START_SERVER": "1",
            "JACK_NO_AUDIO_RESERVATION": "1",
        }
        command = ["jackd", "--no-realtime", "-n", name, "-d", "dummy", "-r", "48000",
                   "-p", "1024", "-C", "2", "-P", "2"]  # fmt: skip
        log = stack.enter_context(tempfile.TemporaryFile("w+"))
        server = stack.enter_context(_process(command, environment, log))
        room = [sys.executable, HERE / "jack_room.py", name]
        for _attempt in range(50):  # the client fails until the server listens
            time.sleep(0.2)
            client = stack.enter_context(_process(room, environment, log))
            listening = _ready(client)
            if server.poll() is not None:  # the room may have found a stray server of that name
                raise RuntimeError(f"jackd ended:\n{_read(log)}")
            if listening:
                break
        else:
            raise RuntimeError(f"no JACK room:\n{_read(log)}")
        yield Room(environment, "room", "room", server, client, log)


@contextlib.contextmanager
def _server_name() -> Iterator[str]:
    """One of a few names, for us alone until the end.

    JACK keeps the names of killed servers, eight at most, until one of the same
    name starts: hence a few names, used again and again.
    """
    for slot in range(5):
        lock = pathlib.Path(tempfile.gettempdir()) / f"roomtune-tests-{os.getuid()}-{slot}.lock"
        with lock.open("w") as held, contextlib.suppress(BlockingIOError):
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            yield f"roomtune{slot}"
            return
    raise RuntimeError("five JACK servers of these tests are running already")


@contextlib.contextmanager
def pulse_room() -> Iterator[Room]:
    """Start PulseAudio with two null sinks and the room between them.

    The ALSA devices "loudspeakers" and "microphone" of the room's own ALSA
    configuration lead there; they are two devices, so two streams. The server's
    threads have no real-time priority: with it goes a limit of 200 ms of processor
    time (RLIMIT_RTTIME), and a sink that catches up after the machine stood still
    for a while is killed by it.
    """
    with contextlib.ExitStack() as stack:
        folder = pathlib.Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rt")))
        folder.chmod(0o700)
        environment = _pulse_environment(folder)
        log = stack.enter_context((folder / "log").open("w+"))
        command = ["pulseaudio", "-n", "-F", str(folder / "server.pa"), "--exit-idle-time=-1",
                   "--daemonize=no", "--use-pid-file=no", "--realtime=no"]  # fmt: skip
        server = stack.enter_context(_process(command, environment, log))
        for _attempt in range(100):
            time.sleep(0.1)
            if (
                subprocess.run(["pactl", "info"], env=environment, capture_output=True).returncode
                == 0
            ):
                break
            if server.poll() is not None:
                raise RuntimeError(f"pulseaudio ended:\n{_read(log)}")
        room = [sys.executable, HERE / "pulse_room.py"]
        process = stack.enter_context(_process(room, environment, log))
        if not _ready(process):
            raise RuntimeError(f"no PulseAudio room:\n{_read(log)}")
        yield Room(environment, "loudspeakers", "microphone", server, process, log)


SERVER_PA = """\
load-module module-native-protocol-unix
load-module module-null-sink sink_name=loudspeakers rate=48000 format=float32le channels=6 \
channel_map=front-left,front-right,rear-left,rear-right,front-center,lfe
load-module module-null-sink sink_name=microphone rate=48000 format=float32le channels=2 \
channel_map=front-left,front-right
set-default-sink loudspeakers
set-default-source microphone.monitor
"""

ALSA_CONF = """\
</usr/share/alsa/alsa.conf>
pcm.loudspeakers { type pulse device loudspeakers hint { show on description "loudspeakers" } }
pcm.microphone { type pulse device microphone.monitor hint { show on description "microphone" } }
"""


def _pulse_environment(folder: pathlib.Path) -> dict[str, str]:
    (folder / "server.pa").write_text(SERVER_PA)
    (folder / "asound.conf").write_text(ALSA_CONF)
    return _environment() | {
        "XDG_RUNTIME_DIR": str(folder),
        "PULSE_RUNTIME_PATH": str(folder / "pulse"),
        "HOME": str(folder),
        "ALSA_CONFIG_PATH": str(folder / "asound.conf"),
        "JACK_NO_START_SERVER": "1",
    }


def _environment() -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PULSE_", "JACK_", "DBUS_"))}
    return kept | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"}


@contextlib.contextmanager
def _process(
    command: Sequence[object], environment: dict[str, str], log: IO[str]
) -> Iterator[subprocess.Popen]:
    """Run a process until the end of the block; end it by its own id."""
    process = subprocess.Popen(
        [str(part) for part in command],
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=log,
        text=True,
    )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                pipe.close()


def _ready(process: subprocess.Popen) -> bool:
    """Wait for the line "ready"; False when the process ends or is too slow."""
    lines: list[str] = []
    reading = threading.Thread(target=lambda: lines.append(process.stdout.readline()), daemon=True)
    reading.start()
    reading.join(READY_S)
    return lines == ["ready\n"]


def _read(log: IO[str]) -> str:
    log.seek(0)
    return log.read()


def hear_interrupts() -> None:
    """Undo what a shell does to jobs in its background: to ignore Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def missing(*programs: str) -> list[str]:
    """Return which of the programs are not installed."""
    return [program for program in programs if shutil.which(program) is None]
