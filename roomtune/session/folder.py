"""The session: a dated folder of takes and of what was concluded from them.

Nothing is ever overwritten: a repeated take gets the next number, a second
tuning becomes tuning-2.json. Only the index, session.json, is replaced, whole.
Takes load when they are asked for. The folder can be moved or zipped anywhere.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomtune.capture.interface import Recording
from roomtune.capture.take import Take
from roomtune.errors import RoomtuneError
from roomtune.session import documents, take_files
from roomtune.session import index as indexes
from roomtune.session.index import Index
from roomtune.session.moments import after_all
from roomtune.session.names import inside, safe_name
from roomtune.session.session_files import (
    SYSTEM,
    best_of,
    claim,
    companions,
    content_of,
    file_faults,
    free_name,
    free_number,
    numbered,
    remove_unfinished,
    still_wanted,
    take_pages,
)
from roomtune.session.storage import only_measurer, only_writer, stamp, write_atomically, write_new
from roomtune.session.take_files import TakeEntry

if TYPE_CHECKING:
    from roomtune.advisor.proposal import Advice, Proposal
    from roomtune.processor.tuning import Tuning
    from roomtune.session.comparison import Comparison
    from roomtune.session.verification import Verification

SESSIONS = "sessions"
Key = tuple[str, str, str]


class Session:
    """One session on disk. Reading needs no lock; every change takes its turn."""

    def __init__(self, path: Path) -> None:
        """Open the session in the folder `path`; RoomtuneError when it is none."""
        self.path = Path(path)
        self._stamp: tuple[int, int] | None = None
        self._tidy = False
        self._last_raw: tuple[weakref.ref[Recording] | None, str | None] = (None, None)
        self.keeps_recordings = True  # False where they can be made again
        self._index = self._read()

    def __repr__(self) -> str:
        return f"<Session {self.path.name}, {len(self._index.takes)} takes>"

    @classmethod
    def create(
        cls,
        project_folder: Path | str,
        name: str,
        system_path: Path | str,
        *,
        state: str = "",
        tags: Sequence[str] = (),
        now: datetime | None = None,
    ) -> Session:
        """Make sessions/<date>-<name>/ with a copy of the system file; returns it open.

        A name that is taken today gets a number. Where the clock was set back, the
        session still counts as the newest, and a note says so. Raises RoomtuneError
        when the system file cannot be read or the folder not be written.
        """
        moment = now or datetime.now().astimezone()
        earlier = () if now else _sound(project_folder)
        made_at, notes = after_all((s.created_at for s in earlier), moment)
        system_path = Path(system_path)
        copies = {SYSTEM: content_of(system_path), **companions(system_path)}
        parent = Path(project_folder) / SESSIONS
        folder = claim(parent, f"{moment:%Y-%m-%d}-{safe_name(name)}")
        created_at = made_at.isoformat(timespec="milliseconds")
        index = Index(name, created_at, state, tuple(tags), notes)
        for file, data in copies.items():
            write_new(inside(folder, file), data)
            index = index.with_file(file, data)
        write_atomically(folder / indexes.FILE, indexes.index_lines(index))
        return cls(folder)

    @classmethod
    def open(cls, path: Path | str) -> Session:
        """Open the session in that folder; RoomtuneError when it is none."""
        return cls(Path(path))

    # What it says of itself

    @property
    def name(self) -> str:
        """The name it was given."""
        return self._index.name

    @property
    def created_at(self) -> str:
        """When it was made, ISO 8601 with the offset from UTC."""
        return self._index.created_at

    @property
    def state(self) -> str:
        """The state of the room, such as "doors closed"."""
        return self._index.state

    @property
    def tags(self) -> tuple[str, ...]:
        """Free labels."""
        return self._index.tags

    @property
    def notes(self) -> tuple[dict[str, str], ...]:
        """All notes so far, {"at", "text"}."""
        return self._index.notes

    @property
    def system_path(self) -> Path:
        """The copy of the system file that these takes were made with."""
        return self.path / SYSTEM

    def measuring(self) -> AbstractContextManager[None]:
        """Hold the session while measuring: RoomtuneError while another process measures."""
        return only_measurer(self.path)

    def note(self, text: str) -> None:
        """Add a note; the earlier ones stay."""
        entry = {"at": datetime.now().astimezone().isoformat(timespec="seconds"), "text": text}
        self._change(lambda index: replace(index, notes=(*index.notes, entry)))

    def set_state(self, state: str) -> None:
        """Say in what state the room is; the former state stays in the notes."""
        if self.state and self.state != state:
            self.note(f"state was {self.state!r}")
        self._change(lambda index: replace(index, state=state))

    def rename(self, name: str) -> None:
        """Give another name; the former one stays in the notes, the folder keeps its own."""
        if self.name != name:
            self.note(f"name was {self.name!r}")
        self._change(lambda index: replace(index, name=name))

    def tag(self, *tags: str) -> None:
        """Add labels."""
        self._change(lambda i: replace(i, tags=tuple(dict.fromkeys((*i.tags, *tags)))))

    # Takes

    def add(self, captured: Any, through: str | None = None) -> TakeEntry:
        """Keep a captured take (or a bare Take) under the next free number.

        `captured` has `take` and, where known, `recording` and `request`.
        A take of a programme channel is marked with the tuning file in force,
        `through`, by default the current one. Raises RoomtuneError when the
        disk refuses; everything kept before stays.
        """
        take = captured if isinstance(captured, Take) else captured.take
        recording = getattr(captured, "recording", None) if self.keeps_recordings else None
        request = getattr(captured, "request", None)
        if take.kind == "channel":
            through = through or self._index.current.get("tuning")
        with only_writer(self.path):
            self._refresh()
            number = free_number(self.path, self._index.takes)
            last, raw_file = self._last_raw
            same = last is not None and recording is not None and last() is recording
            stored = take_files.write_take(
                self.path, number, take, recording, request, through, raw_file if same else None
            )
            if recording is not None:
                self._last_raw = weakref.ref(recording), stored.raw_file
            self._write(self._index.with_takes([stored]))
        return stored.entry

    def entries(self) -> tuple[TakeEntry, ...]:
        """Every take ever made, as lines of the index, in order; loads nothing."""
        return self._index.takes

    def best(
        self, kind: str | None = None, seat: str | None = None, source: str | None = None
    ) -> tuple[TakeEntry, ...]:
        """For each thing measured, the take to use, in the order of their numbers.

        The best grade counts, then the newest; takes of a programme channel
        only through the same tuning as the newest of them.
        """
        groups: dict[Key, list[TakeEntry]] = {}
        for entry in self._index.takes:
            pairs = ((kind, entry.kind), (seat, entry.seat), (source, entry.source))
            if all(wanted in (None, is_) for wanted, is_ in pairs):
                groups.setdefault(entry.key, []).append(entry)
        return tuple(sorted(map(best_of, groups.values()), key=lambda e: e.number))

    def takes(
        self, kind: str | None = None, seat: str | None = None, source: str | None = None
    ) -> tuple[Take, ...]:
        """Load the take to use of each thing measured (see `best`)."""
        return tuple(self.take(entry) for entry in self.best(kind, seat, source))

    def take(self, entry: TakeEntry | int) -> Take:
        """Load one take, by its entry or number; RoomtuneError when it is not there."""
        return take_files.read_take(self.path, self._entry(entry).file)

    def recording(self, entry: TakeEntry | int) -> Recording | None:
        """Load the raw recording of a take, where one was kept."""
        return take_files.read_recording(self.path, self._entry(entry).file)

    def done(self) -> frozenset[Key]:
        """What need not be measured again: (kind, source, seat) with a usable take."""
        return frozenset(e.key for e in self.best() if e.grade != "repeat")

    def remaining(self, requests: Iterable[Any]) -> tuple[Any, ...]:
        """Those of the requests that are not done: of several repeats the mean is wanted too."""
        return still_wanted(requests, self._index.takes, self.done())

    # Documents: tuning, advice, verification, comparison, report, anything else

    def save(self, sort: str, suffix: str, data: bytes) -> Path:
        """Keep a document as <sort><suffix>, the next as <sort>-2<suffix>; the last is current."""
        return self.save_together((sort, suffix, data))[0]

    def save_together(self, *documents: tuple[str, str, bytes]) -> tuple[Path, ...]:
        """Keep documents (sort, suffix, data) as `save` does; a crash leaves all or none current.

        Raises RoomtuneError when the disk refuses.
        """
        paths = []
        with only_writer(self.path):
            self._refresh()
            index = self._index
            for sort, suffix, data in documents:
                name = free_name(self.path, safe_name(sort), suffix)
                write_new(self.path / name, data)
                index = index.with_file(name, data, sort)
                paths.append(self.path / name)
            self._write(index)
        return tuple(paths)

    def current(self, sort: str) -> Path | None:
        """The newest document of that sort ("tuning", "report" ...), if there is one."""
        name = self._index.current.get(sort)
        return inside(self.path, name) if name else None

    def save_tuning(self, tuning: Tuning) -> Path:
        """Keep a tuning as tuning.json, tuning-2.json ..."""
        from roomtune.processor.storage import tuning_to_json

        return self.save("tuning", ".json", tuning_to_json(tuning).encode())

    def tuning(self) -> Tuning | None:
        """The current tuning, if there is one."""
        from roomtune.processor.storage import read_tuning

        path = self.current("tuning")
        return read_tuning(path) if path else None

    def use(self, sort: str, name: str) -> None:
        """Make an earlier document current again; RoomtuneError when there is none such."""
        known = self.documents(sort)
        if name not in known:
            raise RoomtuneError(
                f"{self.path}: there is no {sort} {name!r}; there are {', '.join(known) or 'none'}"
            )
        self._change(lambda i: replace(i, current={**i.current, sort: name}))

    def documents(self, sort: str) -> tuple[str, ...]:
        """Every kept document of that sort, the first first: "tuning.json", "tuning-2.json"."""
        return numbered(self._index.files, safe_name(sort))

    def save_advice(self, advice: Advice) -> Path:
        """Keep the tuning and, as advice.json, its proposals; returns the tuning's path.

        What it improves on is kept too, as starting-tuning.json; predictions are not:
        they follow from the takes and the tuning.
        """
        from roomtune.processor.storage import tuning_to_json

        return self.save_together(
            ("advice", ".json", documents.proposals_text(advice.proposals)),
            ("starting-tuning", ".json", tuning_to_json(advice.starting).encode()),
            ("tuning", ".json", tuning_to_json(advice.tuning).encode()),
        )[-1]

    def proposals(self) -> tuple[Proposal, ...]:
        """The proposals of the current advice; none where there is no advice."""
        path = self.current("advice")
        return documents.read_proposals(path) if path else ()

    def save_verification(self, verification: Verification, sort: str = "verification") -> Path:
        """Keep a verification as verification.json, verification-2.json ..."""
        data = documents.document_text(documents.VERIFICATION, verification)
        return self.save(sort, ".json", data)

    def verification(self, sort: str = "verification") -> Verification | None:
        """The current verification of that sort, if there is one."""
        path = self.current(sort)
        return documents.read_document(path, documents.VERIFICATION) if path else None

    def save_comparison(self, comparison: Comparison) -> Path:
        """Keep a comparison as comparison.json, comparison-2.json ..."""
        data = documents.document_text(documents.COMPARISON, comparison)
        return self.save("comparison", ".json", data)

    def comparison(self) -> Comparison | None:
        """The current comparison, if there is one."""
        path = self.current("comparison")
        return documents.read_document(path, documents.COMPARISON) if path else None

    def check(self) -> tuple[str, ...]:
        """Compare every file with its checksum; sentences on what is missing, changed or extra."""
        return file_faults(self.path, self._index.files, indexes.FILE)

    # Inside

    def _entry(self, entry: TakeEntry | int) -> TakeEntry:
        if isinstance(entry, TakeEntry):
            return entry
        for item in self._index.takes:
            if item.number == entry:
                return item
        raise RoomtuneError(f"{self.path}: there is no take number {entry}")

    def _read(self) -> Index:
        """The index as on disk, with complete takes that a crash kept out of it."""
        self._stamp = stamp(self.path / indexes.FILE)
        index = indexes.read_index(self.path)
        known = {entry.file for entry in index.takes}
        numbers = {entry.number for entry in index.takes}
        left = [f for f in take_pages(self.path) if f not in known]
        stored = [take_files.stored_take(self.path, file) for file in left]
        return index.with_takes([s for s in stored if s.entry.number not in numbers])

    def _refresh(self) -> None:
        """Take up what another program wrote meanwhile. Only while holding the lock."""
        if stamp(self.path / indexes.FILE) != self._stamp:
            self._index = self._read()
        if self._index.version != indexes.VERSION:
            indexes.migrate(self.path)
            self._index = self._read()
        if not self._tidy:
            remove_unfinished(self.path)
            self._tidy = True

    def _write(self, index: Index) -> None:
        write_atomically(self.path / indexes.FILE, indexes.index_lines(index))
        self._index = index
        self._stamp = stamp(self.path / indexes.FILE)

    def _change(self, step: Callable[[Index], Index]) -> None:
        with only_writer(self.path):
            self._refresh()
            self._write(step(self._index))


def list_sessions(project_folder: Path | str) -> tuple[Session, ...]:
    """Every session of a project, oldest first (by the moment it was made)."""
    parent = Path(project_folder) / SESSIONS
    if not parent.is_dir():
        return ()
    found = [Session(p) for p in sorted(parent.iterdir()) if (p / indexes.FILE).is_file()]
    moments = [datetime.fromisoformat(s.created_at).timestamp() for s in found]
    order = sorted(range(len(found)), key=lambda i: (moments[i], i))
    return tuple(found[i] for i in order)


def _sound(project_folder: Path | str) -> tuple[Session, ...]:
    """The sessions of a project; none where one of them is damaged."""
    try:
        return list_sessions(project_folder)
    except RoomtuneError:
        return ()


def latest(project_folder: Path | str) -> Session:
    """Open the newest session of a project; RoomtuneError when there is none."""
    found = list_sessions(project_folder)
    if not found:
        raise RoomtuneError(
            f"{Path(project_folder) / SESSIONS}: there is no session yet; "
            "run `roomtune measure` first"
        )
    return found[-1]
