"""Full disks, folders that cannot be written, clocks set back, two at once: nothing is lost."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import resource
import signal
import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from roomtune.capture.measure import CapturedTake
from roomtune.capture.take import Take, Verdict
from roomtune.cli.main import main
from roomtune.errors import RoomtuneError
from roomtune.session.folder import Session, latest, list_sessions
from roomtune.session.moments import after_all
from roomtune.signal.recording import Recording
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum

NOBODY = 65534
SAMPLES = 20_000
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs POSIX processes")


def make_captured(source: str) -> CapturedTake:
    random = np.random.default_rng(len(source))
    take = Take(
        source, "output", "main", Sweep(20.0, 20000.0, 1.0, 48000.0), -12.0,
        ImpulseResponse(random.normal(size=SAMPLES).astype("f4"), 48000.0),
        NoiseSpectrum([0.0, 24000.0], [1e-9, 1e-9]), (), Verdict("good"), "acoustic", 0.0,
        "2026-03-01T20:15:00+00:00",
    )  # fmt: skip
    return CapturedTake(take, Recording(random.normal(size=(SAMPLES, 1)), 48000.0), None)


def make_session(folder: Path) -> Session:
    CliRunner().invoke(main, ["new", "--scenario", "attic-stereo"], catch_exceptions=False)
    return Session.create(folder, "evening", folder / "system.toml")


@pytest.fixture
def project(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def in_child(work: Callable[[], str], before: Callable[[], None]) -> str:
    """Do `before` and the work in a forked process; what the work told."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            before()
            told = work()
        except BaseException as error:
            told = f"{type(error).__name__}: {error}"
        os.write(writing, told.encode())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as file:
        told = file.read().decode()
    os.waitpid(pid, 0)
    return told


def add_until_it_fails(path: Path) -> str:
    session = Session.open(path)
    for number in range(30):
        session.add(make_captured(f"woofer {number}"))
    return "it never failed"


def all_is_well(path: Path, least: int) -> None:
    """Every take loads, is as its checksum says, and the session takes more."""
    session = Session.open(path)
    assert len(session.entries()) >= least
    for entry in session.entries():
        expected = make_captured(entry.source)
        np.testing.assert_array_equal(
            session.take(entry).impulse_response.samples,
            expected.take.impulse_response.samples,
        )
        assert session.recording(entry) is not None
    session.add(make_captured("afterwards"))
    assert [f for f in session.check() if "not in the index" not in f] == []
    assert not list(path.rglob("*.part"))


@pytest.mark.parametrize("limit", [1000, 40_000])
def test_a_file_that_may_grow_no_further_costs_only_the_take_in_progress(project, limit):
    path = make_session(project).path

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    told = in_child(lambda: add_until_it_fails(path), limited)
    assert told.startswith("RoomtuneError: could not write"), told
    assert "everything measured before is kept" in told
    all_is_well(path, 0)


@contextlib.contextmanager
def small_disk(folder: Path, size: str) -> Iterator[None]:
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", folder],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        pytest.skip(f"cannot mount a small disk: {done.stderr.strip()}")
    try:
        yield
    finally:
        os.chdir("/")
        subprocess.run(["umount", folder], check=True)


def test_a_full_disk_keeps_every_take_that_fitted(project, monkeypatch):
    with small_disk(project, "1200k"):
        monkeypatch.chdir(project)
        path = make_session(project).path
        with pytest.raises(RoomtuneError, match="no room left on the disk") as caught:
            add_until_it_fails(path)
        assert "everything measured before is kept" in str(caught.value)
        kept = Session.open(path).entries()
        assert len(kept) >= 4
        note = CliRunner().invoke(main, ["sessions", "note", "hello", "there"])
        assert not isinstance(note.exception, OSError)
        for file in sorted((path / "takes").glob("0001*")):
            file.unlink()  # somebody makes room
        rest = Session.open(path)
        assert [rest.take(e).source for e in kept[1:]] == [e.source for e in kept[1:]]
        rest.add(make_captured("afterwards"))


@pytest.mark.skipif(os.name != "posix" or os.getuid() != 0, reason="needs another user")
def test_a_folder_that_cannot_be_written_can_be_read_and_says_so(project):
    session = make_session(project)
    session.add(make_captured("woofer left"))

    def as_nobody() -> None:
        for folder in [project, *project.parents][:4]:
            os.chmod(folder, 0o755)
        os.setgid(NOBODY)
        os.setuid(NOBODY)

    def reading() -> str:
        done = CliRunner().invoke(main, ["sessions", "show", "evening"])
        return f"{done.exit_code} {done.output}"

    def writing() -> str:
        return add_until_it_fails(session.path)

    shown = in_child(reading, as_nobody)
    assert shown.startswith("0 "), shown
    assert "evening" in shown
    told = in_child(writing, as_nobody)
    assert told.startswith("RoomtuneError: not allowed to write"), told
    assert "make the folder writable" in told
    assert len(Session.open(session.path).entries()) == 1


def test_a_clock_set_back_still_leaves_the_new_session_the_newest(project, monkeypatch):
    make_session(project)
    ahead = datetime.now(UTC) + timedelta(days=3)
    Session.create(project, "from the future", project / "system.toml", now=ahead)
    now = Session.create(project, "tonight", project / "system.toml")
    assert latest(project).name == "tonight"
    assert [s.name for s in list_sessions(project)] == ["evening", "from the future", "tonight"]
    assert "the clock said" in now.notes[0]["text"]
    again = Session.create(project, "later tonight", project / "system.toml")
    assert latest(project).path == again.path


def test_a_clock_that_goes_right_is_left_alone():
    moment = datetime(2026, 3, 1, 20, tzinfo=UTC)
    assert after_all(["2026-03-01T19:59:59.999+00:00"], moment) == (moment, ())
    later, notes = after_all(["2026-03-01T22:00:00+01:00"], moment)
    assert later == datetime(2026, 3, 1, 21, 0, 0, 1000, tzinfo=UTC)
    assert notes[0]["at"] == "2026-03-01T20:00:00+00:00"


def hold(path: Path, ready, done) -> None:
    with Session.open(path).measuring():
        ready.set()
        done.wait(30)


def test_a_second_process_that_measures_into_a_session_is_refused_at_once(project):
    session = make_session(project)
    context = multiprocessing.get_context("fork")
    ready, done = context.Event(), context.Event()
    other = context.Process(target=hold, args=(session.path, ready, done))
    other.start()
    try:
        assert ready.wait(30)
        words = ["measure", "--virtual", ".", "--yes", "--resume", "--output", "left woofer"]
        refused = CliRunner().invoke(main, words)
        assert refused.exit_code == 2, refused.output
        assert "another program is measuring into this session" in refused.output
        session.add(make_captured("woofer left"))  # single changes still take their turn
    finally:
        done.set()
        other.join()
    with session.measuring():
        assert len(Session.open(session.path).entries()) == 1
