"""`roomtune measure` killed at random moments: what is left, and does it go on?

    python tests/benchmarks/killed_measurement.py [KILLS]

A quick interface stands in for the room, so that most of the time goes into judging
and keeping takes, one by one or overlapped as chance has it. A process is forked for every
run and killed (SIGKILL) at a random moment; the latest comes a few takes after the first
sound, which a first run times. Afterwards every take that was reported as kept must be
there, whole and as its checksum says, and the next run must make none of them again.
Ends with status 1 when any of that fails.
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import scipy.fft
from click.testing import CliRunner

import roomtune.cli.stage
from roomtune.cli.main import main
from roomtune.session.folder import Session, latest
from roomtune.signal.recording import Recording

RATE = 48000
SEED = 1
WAYS = {"--one-by-one": 4, "--together": 12}
MEASURE = ("measure", "--yes", "--duration", "0.5")


class Room:
    """One short random response per output and seat, a little noise, no latency to wait for."""

    sample_rate_hz = float(RATE)

    def __init__(self, told: int) -> None:
        self.told = told
        self.seat = ""

    def play_and_record(self, signals, inputs):
        os.write(self.told, b"sound\n")
        count = signals.shape[0] + RATE // 2
        length = scipy.fft.next_fast_len(count + 4800, real=True)
        heard = sum(
            scipy.fft.rfft(signals[:, k], length) * scipy.fft.rfft(self.response(k), length)
            for k in range(signals.shape[1])
            if signals[:, k].any()
        )
        noise = 1e-5 * np.random.default_rng(0).standard_normal(count)
        samples = 0.5 * scipy.fft.irfft(heard, length)[:count] + noise
        return Recording(np.tile(samples[:, None], (1, len(inputs))), RATE)

    def response(self, output):
        random = np.random.default_rng([output, *self.seat.encode()])
        response = 0.05 * random.standard_normal(2400) * np.exp(-np.arange(2400) / 400)
        response[random.integers(100, 400)] += 1
        return response


class Stage:
    """The stage with the quick room on it."""

    def __init__(self, told: int) -> None:
        self.interface = Room(told)

    def go_to(self, seat):
        self.interface.seat = seat

    def switch_to(self, request):
        """Nobody is there."""

    switch_back = load = switch_to


def child(words, told):
    """Run the command in this process and tell what was kept."""
    keep = Session.add

    def add(session, captured, through=None):
        entry = keep(session, captured, through)
        os.write(told, f"kept {entry.number} {'/'.join(entry.key)}\n".encode())
        return entry

    Session.add = add
    roomtune.cli.stage.open_stage = lambda *_, **__: Stage(told)
    done = CliRunner().invoke(main, list(words))
    os.write(told, f"ended {done.exit_code} {done.output!r:.300}\n".encode())
    os._exit(0)


def begun(words):
    """Fork a run; its process and the file on which it tells."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        child(words, writing)
    os.close(writing)
    return pid, os.fdopen(reading, "rb")


def killed(pid, file):
    """Kill a run; what it had still told."""
    os.kill(pid, signal.SIGKILL)
    rest = file.read()
    file.close()
    os.waitpid(pid, 0)
    return rest


def processor_s(pid):
    """Processor time that a process has spent, in steps of 10 ms; none once it has ended."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    if fields[0] == "Z":
        return np.inf
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def run(words, kill_after_s):
    """Fork a run, kill it so much work after its first sound; the lines that it told."""
    pid, file = begun(words)
    first = file.readline()
    time.sleep(kill_after_s)
    return (first + killed(pid, file)).decode().splitlines()


def time_of_takes_s(way):
    """How long after the first sound of a run the last of a few takes is kept."""
    pid, file = begun((*MEASURE, way))
    file.readline()
    begun_s, kept = time.monotonic(), 0
    while kept < WAYS[way]:
        line = file.readline()
        assert line, "the run ended before"
        kept += line.startswith(b"kept")
    needed_s = time.monotonic() - begun_s
    killed(pid, file)
    return needed_s


def faults_of(session, kept, made_again):
    """What is wrong with a session after a kill, in sentences."""
    entries = {entry.number: entry for entry in session.entries()}
    faults = [f"take {number} was kept and is gone" for number in kept if number not in entries]
    faults += [text for text in session.check() if "missing" in text or "changed" in text]
    for entry in entries.values():
        take, recording = session.take(entry), session.recording(entry)
        if not np.isfinite(take.impulse_response.samples).all() or recording is None:
            faults.append(f"take {entry.number} cannot be used")
    return faults + [f"{key} was made again" for key in made_again]


def trial(kills):
    """Kill as often as that; the number of takes kept, and the faults."""
    random = np.random.default_rng(SEED)
    latest_s = {way: time_of_takes_s(way) for way in WAYS}
    total, faults, ends, session, kept = 0, [], 0, None, set()
    for _ in range(kills):
        done = session.done() if session else frozenset()
        way = str(random.choice(list(WAYS)))
        words = (*MEASURE, way, "--resume") if session else (*MEASURE, way)
        lines = run(words, random.uniform(0, latest_s[way]))
        told = [line.split(maxsplit=2) for line in lines if line.startswith("kept")]
        kept |= {int(number) for _, number, _ in told}
        total += len(told)
        session = latest(Path())
        again = [key for _, _, key in told if tuple(key.split("/")) in done]
        faults += faults_of(session, kept, again)
        ended = [line for line in lines if line.startswith("ended")]
        if ended:
            ends += 1
            faults += [line for line in ended if not line.startswith("ended 0")]
            session, kept = None, set()
    return total, ends, faults


if __name__ == "__main__":
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        CliRunner().invoke(main, ["new", "--scenario", "garden-studio"])
        total, ends, faults = trial(kills)
        os.chdir("/")
    print(f"{kills} runs killed, {total} takes kept, {ends} sessions finished before the kill")
    print(f"{len(faults)} faults {faults[:5]}")
    raise SystemExit(1 if faults or total < kills / 2 else 0)
