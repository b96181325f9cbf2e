"""A whole session as one zip file, and back. Nothing leaves the session's folder.

A packed session holds exactly the files that its index names, with their
checksums, so what comes out again is known to be what went in.
"""

from __future__ import annotations

import io
import shutil
import tempfile
import zipfile
from pathlib import Path

from roomtune.errors import RoomtuneError
from roomtune.session import index as indexes
from roomtune.session.folder import SESSIONS, Session
from roomtune.session.names import inside, safe_name
from roomtune.session.session_files import claim
from roomtune.session.storage import digest, write_atomically, write_new

LARGEST_INDEX = 64 * 2**20
_FIRST_MOMENT = (1980, 1, 1, 0, 0, 0)


def pack(session: Session, path: Path) -> Path:
    """Write the session as a zip file; returns its path.

    Raises RoomtuneError when a file is missing or was changed, when `path` exists,
    and when the disk refuses. Equal sessions give equal files.
    """
    if path.exists():
        raise RoomtuneError(f"{path}: exists already and is never overwritten; name another file")
    faults = [fault for fault in session.check() if not fault.endswith("not in the index")]
    if faults:
        raise RoomtuneError(f"{session.path}: {faults[0]}; a damaged session is not packed")
    data = io.BytesIO()
    index = indexes.read_index(session.path)
    with zipfile.ZipFile(data, "w") as archive:
        for name in (indexes.FILE, *index.files):
            sounds = name.endswith((".flac", ".png", ".pdf"))
            how = zipfile.ZIP_STORED if sounds else zipfile.ZIP_DEFLATED
            entry = zipfile.ZipInfo(f"{session.path.name}/{name}", _FIRST_MOMENT)
            archive.writestr(entry, inside(session.path, name).read_bytes(), how)
    write_atomically(path, data.getvalue())
    return path


def unpack(path: Path, project_folder: Path) -> Session:
    """Unpack a session into the project's sessions; returns it open.

    Only the files that its index names are written, each where the index says and
    only if size and checksum are right. A name that is taken gets a number. Raises
    RoomtuneError for anything else: a file that is no zip file, holds no session,
    names a place outside, or was changed.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            top, index = _index_of(path, archive)
            folder = claim(Path(project_folder) / SESSIONS, safe_name(top))
            try:
                _write(path, archive, top, index, folder)
            except BaseException:
                shutil.rmtree(folder, ignore_errors=True)
                raise
    except (zipfile.BadZipFile, OSError, KeyError, EOFError, NotImplementedError) as error:
        raise RoomtuneError(f"{path}: cannot be unpacked ({error}); get another copy") from error
    return Session.open(folder)


def _write(
    path: Path, archive: zipfile.ZipFile, top: str, index: indexes.Index, folder: Path
) -> None:
    """Every file of the index, then the index itself."""
    for name, what in index.files.items():
        write_new(inside(folder, name), _content(path, archive, f"{top}/{name}", what))
    write_atomically(folder / indexes.FILE, archive.read(f"{top}/{indexes.FILE}"))


def _index_of(path: Path, archive: zipfile.ZipFile) -> tuple[str, indexes.Index]:
    """The folder inside the archive, and its index."""
    found = [i for i in archive.infolist() if i.filename.count("/") == 1]
    found = [i for i in found if i.filename.endswith(f"/{indexes.FILE}")]
    if len(found) != 1:
        raise RoomtuneError(
            f"{path}: holds no session (expected one folder with {indexes.FILE} in it); "
            "name a file that `roomtune sessions pack` wrote"
        )
    if found[0].file_size > LARGEST_INDEX:
        raise RoomtuneError(f"{path}: its {indexes.FILE} is too large to be true")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / indexes.FILE).write_bytes(archive.read(found[0]))
        return found[0].filename.split("/")[0], indexes.read_index(Path(folder))


def _content(path: Path, archive: zipfile.ZipFile, name: str, what: dict[str, object]) -> bytes:
    """One file's content, of the size and checksum that the index gives."""
    size = archive.getinfo(name).file_size
    if size != what["bytes"]:
        raise RoomtuneError(f"{path}: {name} has {size} bytes, the index says {what['bytes']}")
    data = archive.read(name)
    if digest(data) != what["sha256"]:
        raise RoomtuneError(f"{path}: {name} was changed after it was written")
    return data
