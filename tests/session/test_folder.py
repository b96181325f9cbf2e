"""The session folder: everything comes back, nothing is lost, nothing is overwritten."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import textwrap
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from roomtune.capture.interface import Recording
from roomtune.capture.requests import CaptureSettings
from roomtune.capture.take import Finding, Take, Verdict
from roomtune.errors import RoomtuneError
from roomtune.session import index as indexes
from roomtune.session import storage
from roomtune.session.folder import Session, latest, list_sessions
from roomtune.session.names import inside, safe_name
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum

SYSTEM_TEXT = 'name = "test"\n[microphone]\ncorrection_file = "microphones/my one.txt"\n'


def single(values: object) -> np.ndarray:
    """Values as float32 holds them."""
    return np.asarray(values, dtype=np.float32).astype(float)


def make_take(
    source: str = "woofer",
    seat: str = "main",
    grade: str = "good",
    kind: str = "output",
    seed: int = 1,
) -> Take:
    random = np.random.default_rng(seed)
    noise = NoiseSpectrum([0.0, 100.0, 24000.0], 10.0 ** random.normal(-9, 1, 3))
    harmonics = tuple(
        ImpulseResponse(single(random.normal(size=n)), 48000.0, -0.125 * n) for n in (7, 5)
    )
    return Take(
        source=source,
        kind=kind,  # type: ignore[arg-type]
        seat=seat,
        stimulus=Sweep(20.0, 20000.0, 1.5, 48000.0),
        level_dbfs=-12.5,
        impulse_response=ImpulseResponse(single(random.normal(size=64)), 48000.0, -0.001, "Pa"),
        noise=noise,
        harmonics=harmonics,
        verdict=Verdict(grade, (Finding("hum", "usable", "hum at 50 Hz, ±1 dB"),)),  # type: ignore[arg-type]
        reference="acoustic",
        clock_drift_ppm=float(random.normal()),
        recorded_at="2026-03-01T20:15:00+00:00",
    )


@dataclass(frozen=True)
class Captured:
    take: Take
    recording: Recording
    request: object = None


def make_captured(**changes: object) -> Captured:
    take = make_take(**changes)  # type: ignore[arg-type]
    samples = single(np.random.default_rng(7).normal(size=(50, 2)) * 3)
    return Captured(take, Recording(samples, 48000.0, ("input overflow in 1 block",)))


def same_take(a: Take, b: Take) -> bool:
    plain = ["source", "kind", "seat", "stimulus", "level_dbfs", "verdict", "reference"]
    plain += ["clock_drift_ppm", "recorded_at"]
    return (
        all(getattr(a, name) == getattr(b, name) for name in plain)
        and same_response(a.impulse_response, b.impulse_response)
        and len(a.harmonics) == len(b.harmonics)
        and all(map(same_response, a.harmonics, b.harmonics))
        and np.array_equal(a.noise.density, b.noise.density)
        and np.array_equal(a.noise.frequencies_hz, b.noise.frequencies_hz)
    )


def same_response(a: ImpulseResponse, b: ImpulseResponse) -> bool:
    return np.array_equal(a.samples, b.samples) and (a.sample_rate_hz, a.start_s, a.unit) == (
        b.sample_rate_hz,
        b.start_s,
        b.unit,
    )


@pytest.fixture
def project(tmp_path):
    (tmp_path / "system.toml").write_text(SYSTEM_TEXT)
    (tmp_path / "microphones").mkdir()
    (tmp_path / "microphones" / "my one.txt").write_text("20 0.0\n20000 1.0\n")
    return tmp_path


@pytest.fixture
def session(project):
    return Session.create(project, "Evening", project / "system.toml")


def test_a_take_comes_back_bit_for_bit(session):
    captured = make_captured()
    entry = session.add(captured)
    back = Session.open(session.path)
    take = back.take(entry)
    assert same_take(take, captured.take)
    recording = back.recording(entry)
    assert np.array_equal(recording.samples, captured.recording.samples)
    assert recording.events == captured.recording.events
    assert take.raw_file == "takes/0001-woofer-main-raw.wav"


def test_other_programs_read_the_sound_files(session):
    captured = make_captured()
    session.add(captured)
    path = session.path / "takes" / "0001-woofer-main.wav"
    rate, samples = wavfile.read(path)
    assert (rate, samples.dtype) == (48000, np.float32)
    assert np.array_equal(samples, captured.take.impulse_response.samples)
    assert soundfile.info(path).subtype == "FLOAT"
    raw, _ = soundfile.read(session.path / "takes" / "0001-woofer-main-raw.wav")
    assert np.array_equal(raw, captured.recording.samples)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.lists(st.floats(width=32, allow_nan=False, allow_infinity=False), min_size=1, max_size=40),
    st.text(max_size=60),
    st.text(max_size=60),
    st.floats(allow_nan=False),
)
def test_any_samples_and_any_names_survive(session, samples, source, seat, drift):
    take = replace(
        make_take(source, seat),
        impulse_response=ImpulseResponse(samples, 44100.0, 0.25),
        clock_drift_ppm=drift,
    )
    entry = session.add(take)
    assert same_take(Session.open(session.path).take(entry), take)
    assert all(
        p.parent in (session.path, session.path / "takes", session.path / "microphones")
        for p in session.path.rglob("*")
        if p.is_file()
    )


def test_drift_that_is_not_a_number_is_kept(session):
    entry = session.add(replace(make_take(), clock_drift_ppm=float("nan")))
    assert np.isnan(session.take(entry).clock_drift_ppm)


def test_the_folder_is_named_by_date_and_name_and_holds_the_system(project):
    now = datetime(2026, 3, 1, 20, 15, tzinfo=UTC)
    session = Session.create(project, "Été / ../ night", project / "system.toml", now=now)
    assert session.path == project / "sessions" / "2026-03-01-ete-night"
    assert session.system_path.read_text() == SYSTEM_TEXT
    assert (session.path / "microphones" / "my one.txt").read_text().startswith("20 0.0")
    again = Session.create(project, "Été / ../ night", project / "system.toml", now=now)
    assert again.path.name == "2026-03-01-ete-night-2"


@pytest.mark.parametrize(
    "text",
    ["", "..", "/", "con", "a/../../b", "C:\\x", ".hidden", "x" * 300, "\0", "日本", "🎧", "a\nb"],
)
def test_names_are_safe_everywhere(text):
    name = safe_name(text)
    assert 1 <= len(name) <= 40
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_")
    assert name not in ("con", "nul", "prn", "aux")


@pytest.mark.parametrize("path", ["../x", "/etc/passwd", "a/../../x", "..\\x", "C:x", "a\0b"])
def test_an_index_cannot_lead_outside(tmp_path, path):
    with pytest.raises(RoomtuneError, match="not inside this folder"):
        inside(tmp_path, path)


def test_a_link_out_of_the_session_is_refused(session, tmp_path):
    (tmp_path / "secret.txt").write_text("x")
    (session.path / "link").symlink_to(tmp_path / "secret.txt")
    with pytest.raises(RoomtuneError, match="not inside"):
        inside(session.path, "link")


def test_a_repeat_gets_a_new_number_and_the_best_is_used(session):
    first = session.add(make_take(grade="usable", seed=1))
    best = session.add(make_take(grade="good", seed=2))
    bad = session.add(make_take(grade="repeat", seed=3))
    assert [e.number for e in (first, best, bad)] == [1, 2, 3]
    assert len(session.entries()) == 3
    assert [e.number for e in session.best()] == [2]
    newer = session.add(make_take(grade="good", seed=4))
    assert session.best() == (newer,)
    assert same_take(session.take(1), make_take(grade="usable", seed=1))


def test_channel_takes_count_only_through_the_newest_tuning(session):
    session.save("tuning", ".json", b"{}")
    session.add(make_take("L", kind="channel", grade="good"))
    session.save("tuning", ".json", b"{ }")
    newer = session.add(make_take("L", kind="channel", grade="usable"))
    assert newer.through == "tuning-2.json"
    assert session.best(kind="channel") == (newer,)


def test_resume_knows_what_is_done(session):
    @dataclass(frozen=True)
    class Request:
        kind: str
        source: str
        seat: str
        settings: CaptureSettings = field(default_factory=CaptureSettings)

    wanted = [Request("output", s, "main") for s in ("woofer", "tweeter", "sub")]
    session.add(make_take("woofer"))
    session.add(make_take("sub", grade="repeat"))
    again = Session.open(session.path)
    assert again.done() == {("output", "woofer", "main")}
    assert again.remaining(wanted) == (wanted[1], wanted[2])
    thrice = replace(wanted[0], settings=CaptureSettings(repeats=3))
    for _ in range(3):
        assert again.remaining([thrice]) == (thrice,)  # one sweep, two, three: no mean yet
        again.add(make_take("woofer"))
    assert again.remaining([thrice]) == ()


def test_selection(session):
    for source in ("woofer", "tweeter"):
        for seat in ("main", "left"):
            session.add(make_take(source, seat))
    assert [t.source for t in session.takes(seat="left")] == ["woofer", "tweeter"]
    assert [e.seat for e in session.best(source="woofer")] == ["main", "left"]
    assert session.takes(kind="channel") == ()


def test_documents_are_numbered_and_never_overwritten(session):
    one = session.save("report", ".html", b"one")
    two = session.save("report", ".html", b"two")
    assert (one.name, two.name) == ("report.html", "report-2.html")
    assert (one.read_bytes(), session.current("report").read_bytes()) == (b"one", b"two")
    assert Session.open(session.path).current("report") == two
    assert session.current("tuning") is None
    with pytest.raises(ValueError, match="never overwritten"):
        storage.write_new(one, b"three")


def test_notes_state_and_tags(session):
    session.note("first")
    session.set_state("doors closed")
    session.set_state("six guests")
    session.tag("winter", "winter", "new sofa")
    back = Session.open(session.path)
    assert back.state == "six guests"
    assert back.tags == ("winter", "new sofa")
    assert [n["text"] for n in back.notes] == ["first", "state was 'doors closed'"]


def test_checksums_find_what_changed(session):
    entry = session.add(make_captured())
    assert session.check() == ()
    path = session.path / "takes" / "0001-woofer-main.wav"
    data = bytearray(path.read_bytes())
    data[-3] ^= 1
    path.write_bytes(data)
    (session.path / "takes" / "0001-woofer-main-raw.wav").unlink()
    (session.path / "stray.txt").write_text("x")
    assert set(session.check()) == {
        "takes/0001-woofer-main.wav was changed after it was written",
        "takes/0001-woofer-main-raw.wav is missing",
        "stray.txt is not in the index",
    }
    with pytest.raises(RoomtuneError, match=r"raw\.wav.*restore it from a copy"):
        session.recording(entry)


def test_a_session_can_be_moved_and_zipped(session, tmp_path):
    entry = session.add(make_captured())
    archive = shutil.make_archive(str(tmp_path / "archive"), "zip", session.path)
    shutil.unpack_archive(archive, tmp_path / "elsewhere")
    moved = Session.open(tmp_path / "elsewhere")
    assert same_take(moved.take(entry), make_captured().take)
    assert moved.check() == ()


def test_latest_and_listing(project):
    with pytest.raises(RoomtuneError, match="no session yet"):
        latest(project)
    days = [datetime(2026, 3, day, tzinfo=UTC) for day in (2, 1, 3)]
    made = [
        Session.create(project, "z" if d.day == 1 else "a", project / "system.toml", now=d)
        for d in days
    ]
    assert latest(project).path == made[2].path
    assert [s.path.name[:10] for s in list_sessions(project)] == [
        "2026-03-01",
        "2026-03-02",
        "2026-03-03",
    ]


def test_what_is_not_a_session_is_told(tmp_path, session):
    with pytest.raises(RoomtuneError, match="is not a session"):
        Session.open(tmp_path / "nothing")
    file = session.path / "session.json"
    text = file.read_text()
    for content, sentence in [
        ("{", "cannot be read"),
        ("[]", "is not a session"),
        (text.replace('"version": 1', '"version": 99'), "update roomtune"),
        (text.replace('"version": 1', '"version": 0'), "never existed"),
        (text.replace('"takes"', '"tales"'), "is damaged"),
    ]:
        file.write_text(content)
        with pytest.raises(RoomtuneError, match=sentence):
            Session.open(session.path)


def test_an_older_format_is_migrated_and_a_copy_kept(session, monkeypatch):
    entry = session.add(make_take())
    file = session.path / "session.json"
    plain = json.loads(file.read_text())
    plain["version"] = 0
    plain["room_state"] = plain.pop("state")
    old = json.dumps(plain).encode()
    file.write_bytes(old)
    monkeypatch.setitem(
        indexes.MIGRATIONS, 0, lambda p: {**p, "state": p["room_state"], "version": 1}
    )
    reopened = Session.open(session.path)
    assert file.read_bytes() == old, "reading must not write"
    assert same_take(reopened.take(entry), make_take())
    reopened.note("now it is written")
    assert json.loads(file.read_text())["version"] == 1
    assert (session.path / "session-version-0.json").read_bytes() == old
    assert Session.open(session.path).check() == ()


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        (errno.ENOSPC, "no room left on the disk"),
        (errno.EROFS, "not allowed to write"),
        (errno.EIO, "could not write"),
    ],
)
@pytest.mark.parametrize("at_file", range(5))
def test_a_refusing_disk_costs_only_the_take_in_progress(
    session, monkeypatch, number, sentence, at_file
):
    kept = session.add(make_captured())
    before = sorted(p for p in session.path.rglob("*") if p.is_file())
    calls = iter(range(100))
    real = os.fsync

    def full(handle: int) -> None:
        if os.fstat(handle).st_mode & 0o100000 and next(calls) == at_file:
            raise OSError(number, os.strerror(number))
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RoomtuneError, match=sentence) as caught:
        session.add(make_captured(source="tweeter"))
    assert "everything measured before is kept" in str(caught.value)
    monkeypatch.undo()
    back = Session.open(session.path)
    assert same_take(back.take(kept), make_captured().take)
    if at_file < 4:
        assert sorted(p for p in session.path.rglob("*") if p.is_file()) == before
        assert len(back.entries()) == 1
    else:  # the take itself was complete: only the index could not be renewed
        assert len(back.entries()) == 2
    again = back.add(make_captured(source="tweeter"))
    assert same_take(back.take(again), make_captured(source="tweeter").take)
    assert back.check() == ()


CRASHING = """
    import os, sys
    sys.path.insert(0, {tests!r})
    import test_folder as helpers
    from roomtune.session.folder import Session
    session = Session.open({path!r})
    done = int(sys.argv[1])
    count = 0
    real = {{"fsync": os.fsync, "replace": os.replace}}
    def dying(name):
        def call(*arguments, **options):
            global count
            count += 1
            if count == done:
                os._exit(9)
            return real[name](*arguments, **options)
        return call
    os.fsync, os.replace = dying("fsync"), dying("replace")
    for seed in range(100):
        session.add(helpers.make_captured(source=f"s{{seed}}", seed=seed))
        print(seed, flush=True)
"""


@pytest.mark.parametrize("step", [1, 2, 3, 5, 7, 9, 11, 14])
def test_dying_at_any_step_loses_at_most_the_take_in_progress(session, step):
    script = textwrap.dedent(CRASHING).format(
        tests=os.path.dirname(__file__), path=str(session.path)
    )
    run = subprocess.run(
        [sys.executable, "-c", script, str(step)], capture_output=True, text=True, check=False
    )
    assert run.returncode == 9, run.stderr
    reported = [int(line) for line in run.stdout.split()]
    back = Session.open(session.path)
    kept = {entry.source: entry for entry in back.entries()}
    assert set(kept) >= {f"s{seed}" for seed in reported}
    assert len(kept) <= len(reported) + 1
    for seed, source in enumerate(sorted(kept)):
        assert same_take(back.take(kept[source]), make_captured(source=source, seed=seed).take)
    back.add(make_take("after"))
    assert not list(session.path.rglob("*.part"))
    listed = {fault for fault in back.check() if "not in the index" not in fault}
    assert listed == set()


def test_killed_at_a_random_moment_nothing_reported_is_lost(session):
    random = np.random.default_rng(5)
    script = textwrap.dedent(CRASHING).format(
        tests=os.path.dirname(__file__), path=str(session.path)
    )
    total = 0
    for _ in range(3):
        run = subprocess.Popen(
            [sys.executable, "-c", script, "-1"], stdout=subprocess.PIPE, text=True
        )
        lines = [run.stdout.readline() for _ in range(int(random.integers(1, 6)))]
        run.kill()
        lines += run.stdout.readlines()
        run.stdout.close()
        run.wait()
        total += len([line for line in lines if line.endswith("\n")])
        back = Session.open(session.path)
        assert len(back.entries()) >= total
        total = len(back.entries())
        for entry in back.entries():
            back.take(entry)


WRITER = """
    import sys
    sys.path.insert(0, {tests!r})
    import test_folder as helpers
    from roomtune.session.folder import Session
    session = Session.open({path!r})
    for seed in range(12):
        session.add(helpers.make_take(source={name!r} + str(seed)))
"""


def test_two_programs_writing_at_once_lose_nothing(session):
    runs = [
        subprocess.Popen(
            [
                sys.executable,
                "-c",
                textwrap.dedent(WRITER).format(
                    tests=os.path.dirname(__file__), path=str(session.path), name=n
                ),
            ]
        )
        for n in ("a", "b")
    ]
    assert [run.wait() for run in runs] == [0, 0]
    back = Session.open(session.path)
    assert {e.source for e in back.entries()} == {f"{n}{i}" for n in "ab" for i in range(12)}
    assert sorted(e.number for e in back.entries()) == list(range(1, 25))
    assert back.check() == ()


def test_a_lock_that_stays_taken_is_told(session):
    with (
        storage.only_writer(session.path),
        pytest.raises(RoomtuneError, match="another program has been writing"),
        storage.only_writer(session.path, patience_s=0.05),
    ):
        pass


def test_a_folder_that_cannot_be_made_is_told(project):
    (project / "sessions").write_text("a file is in the way")
    with pytest.raises(RoomtuneError, match="could not write"):
        Session.create(project, "x", project / "system.toml")
    with pytest.raises(RoomtuneError, match="name a system file"):
        Session.create(project, "x", project / "missing.toml")


def test_thousands_of_takes_open_without_being_loaded(session, monkeypatch):
    entry = session.add(make_captured())
    base = session._index
    stored = {k: v for k, v in base.files.items() if k.startswith("takes/")}
    takes, files = [], dict(base.files)
    for number in range(1, 3001):
        takes.append(replace(entry, number=number, file=f"takes/{number:04d}-woofer-main.json"))
        files |= {k.replace("0001", f"{number:04d}"): v for k, v in stored.items()}
    (session.path / "session.json").write_bytes(
        b"".join(indexes.index_lines(replace(base, takes=tuple(takes), files=files)))
    )
    monkeypatch.setattr("roomtune.session.take_files.read_page", lambda *_: pytest.fail("loaded"))
    back = Session.open(session.path)
    assert len(back.entries()) == 3000
    assert [e.number for e in back.best()] == [3000]


def test_tuning_and_proposals_come_back(session):
    from roomtune.advisor.proposal import Proposal
    from roomtune.processor.tuning import ChannelSetting, Filter, Tuning

    tuning = Tuning(48000.0, (ChannelSetting("L", -1.5, (Filter("peaking", 41.3, 6.2, -7.4),)),))
    proposals = (
        Proposal("level", "<b>L</b>", "down 1.5 dB", "it is louder", "", 1.5, None, ("no",)),
    )

    class Advice:
        pass

    advice = Advice()
    advice.tuning, advice.proposals = tuning, proposals
    advice.starting = replace(tuning, outputs=())
    assert session.save_advice(advice).name == "tuning.json"
    back = Session.open(session.path)
    assert back.tuning() == tuning
    assert back.proposals() == proposals
    assert back.verification() is None
    assert back.comparison() is None


def test_evenly_spaced_noise_is_kept_exactly_and_briefly(session):
    frequencies = np.fft.rfftfreq(38400, 1 / 48000)
    density = np.random.default_rng(1).random(frequencies.size) * 1e-14
    take = replace(make_take(), noise=NoiseSpectrum(frequencies, density))
    entry = session.add(take)
    assert same_take(session.take(entry), take)
    lines = (session.path / entry.file).read_text().splitlines()
    assert len(lines) < 150
    assert any('"step": 1.25' in line for line in lines)
