"""Everything that reads what others wrote: which file, and how it is read.

`specimens.make_project` writes one sound file of every sort. A reader is given other
bytes in place of its file and must answer with a value or a RoomtuneError
that says what to do, in bounded memory.
"""

from __future__ import annotations

import shutil
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from roomtune.advisor.target import target_db
from roomtune.analysis.microphone import read_correction
from roomtune.capture.exchange import read_plan, read_takes
from roomtune.errors import RoomtuneError
from roomtune.processor.files import render_file
from roomtune.processor.storage import read_tuning
from roomtune.report.sheet_layout import read_layout
from roomtune.session import documents
from roomtune.session.folder import Session, list_sessions
from roomtune.session.followed import followed_system
from roomtune.session.packing import unpack
from roomtune.session.session_files import companions
from roomtune.system.model import System, Target
from roomtune.system.reading import read_system
from roomtune.system.sensitivity import with_sensitivity
from roomtune.system.wishing import with_target_words, with_wishes
from roomtune.virtual.scenario import load_scenario

RATE = 8000
SESSION = "sessions/2026-03-01-evening"
CHANGING = SESSION.replace("evening", "changing")
TAKE = f"{SESSION}/takes/0001-woofer-main"
PLAIN = System.model_construct(room_size_m=None)
MEMORY_RATIO = 400
MEMORY_BASE = 48 * 2**20
SHORTEST_SENTENCE = 20


@dataclass(frozen=True)
class Reader:
    """How one sort of file is read: `place` in the project, and the reading itself."""

    name: str
    place: str
    read: Callable[[Path], object]

    @property
    def suffix(self) -> str:
        """What sort of text or sound it is."""
        return Path(self.place).suffix


def outcome(reader: Reader, project: Path, data: bytes) -> str:
    """Read these bytes in place of the file: "" for a value, else the sentence.

    Anything but a RoomtuneError with a sentence escapes; AssertionError for a poor one.
    """
    (project / reader.place).write_bytes(data)
    try:
        reader.read(project)
    except RoomtuneError as error:
        sentence = str(error)
        assert len(sentence) >= SHORTEST_SENTENCE, f"says too little: {sentence!r}"
        assert " " in sentence, f"no sentence: {sentence!r}"
        assert "Traceback" not in sentence
        return sentence
    return ""


def memory_of(reader: Reader, project: Path, data: bytes) -> tuple[int, int]:
    """Peak memory in bytes while reading, and what is allowed for so many bytes."""
    tracemalloc.start()
    try:
        outcome(reader, project, data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    return peak, MEMORY_BASE + MEMORY_RATIO * len(data)


def _open(folder: Path) -> object:
    session = Session.open(folder / SESSION)
    session.check()
    session.best()
    list_sessions(folder)
    return session.current("tuning"), session.tuning(), session.name, session.notes


def _take(folder: Path) -> object:
    session = Session.open(folder / SESSION)
    return session.take(1), session.recording(1)


def _found_take(folder: Path) -> object:
    """A take that a crash kept out of the index is taken up when the session is opened."""
    session = Session.open(folder / SESSION.replace("evening", "crashed"))
    return [session.take(entry) for entry in session.entries()]


def _unpack(folder: Path) -> object:
    try:
        session = unpack(folder / "packed.zip", folder / "unpacked")
        return session.check(), [session.take(entry) for entry in session.entries()]
    finally:
        outside = [p for p in folder.parent.iterdir() if p.name in ("climbed", "climbed.txt")]
        assert not outside, f"written outside: {outside}"
        shutil.rmtree(folder / "unpacked", ignore_errors=True)


def _changed(folder: Path) -> object:
    """What was read of a session can be written again, and read."""
    session = Session.open(folder / CHANGING)
    session.note("hello")
    session.set_state("doors closed")
    return Session.open(folder / CHANGING).notes


def _level(folder: Path) -> object:
    text = (folder / "level.toml").read_bytes().decode("utf-8", "replace")
    return with_sensitivity(text, -31.25)


def _followed(folder: Path) -> object:
    session = Session.open(folder / SESSION)
    return target_db(followed_system(session), [100.0])


@cache
def _plain(folder: Path) -> System:
    """The sound system, read once: it never changes."""
    return read_system(folder / "plain.toml")


def _wish(folder: Path) -> object:
    text = (folder / "wish.toml").read_bytes().decode("utf-8", "replace")
    return with_wishes(_plain(folder), [text])


def _target_words(folder: Path) -> object:
    text = (folder / "words.txt").read_bytes().decode("utf-8", "replace")
    return with_target_words(_plain(folder), [text])


def _companions(folder: Path) -> object:
    return companions(folder / "companions" / "system.toml")


def _curve(folder: Path) -> object:
    from roomtune.advisor import target

    target._curve.cache_clear()
    file = str(folder / "curve.txt")
    return target_db(PLAIN, [20.0, 1e3, 2e4], Target(shape="file", curve_file=file))


def _import(folder: Path) -> object:
    return read_takes(folder / "recording.wav", folder / "play.json")


def _import_flac(folder: Path) -> object:
    return read_takes(folder / "recording.flac", folder / "play.json")


def _import_planned(folder: Path) -> object:
    return read_takes(folder / "planned.wav", folder / "planned.json")


def _render(folder: Path) -> object:
    return render_file(read_tuning(folder / "tuning.json"), folder / "song.wav", folder / "out.wav")


def _document(form: str) -> Callable[[Path], object]:
    def read(folder: Path) -> object:
        value = documents.read_document(folder / f"{form.split()[-1]}.json", form)
        return str(value), getattr(value, "passed", None)

    return read


READERS = (
    Reader("system", "system.toml", lambda f: read_system(f / "system.toml")),
    Reader("tuning", "tuning.json", lambda f: read_tuning(f / "tuning.json")),
    Reader("session index", f"{SESSION}/session.json", _open),
    Reader("session to change", f"{CHANGING}/session.json", _changed),
    Reader("take", f"{TAKE}.json", _take),
    Reader(
        "take left by a crash",
        f"{TAKE}.json".replace("evening", "crashed"),
        _found_take,
    ),
    Reader("impulse response", f"{TAKE}.wav", _take),
    Reader("harmonics", f"{TAKE}-harmonics.wav", _take),
    Reader("raw recording", f"{TAKE}-raw.flac", _take),
    Reader("packed session", "packed.zip", _unpack),
    Reader("system that advice followed", f"{SESSION}/advised-system.json", _followed),
    Reader("system to write a level into", "level.toml", _level),
    Reader("wish", "wish.toml", _wish),
    Reader("target in words", "words.txt", _target_words),
    Reader("files named in a system", "companions/system.toml", _companions),
    Reader("microphone correction", "microphone.txt",
           lambda f: read_correction(f / "microphone.txt").at([1.0, 1e3, 1e5])),
    Reader("target curve", "curve.txt", _curve),
    Reader("playback plan", "plan.json", lambda f: read_plan(f / "plan.json")),
    Reader("plan and its recording", "planned.json", _import_planned),
    Reader("recording", "recording.wav", _import),
    Reader("compressed recording", "recording.flac", _import_flac),
    Reader("song to render", "song.wav", _render),
    Reader("taps", "taps.wav", lambda f: read_tuning(f / "with-taps.json")),
    Reader("table layout", "layout.toml", lambda f: read_layout(f / "layout.toml")),
    Reader("virtual room", "room.toml", load_scenario),
    Reader("advice", "advice.json", _document(documents.ADVICE)),
    Reader("verification", "verification.json", _document(documents.VERIFICATION)),
    Reader("comparison", "comparison.json", _document(documents.COMPARISON)),
)  # fmt: skip
