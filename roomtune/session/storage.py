"""Writing that a power cut cannot spoil: temporary name, flush, rename; one writer at a time."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO

from roomtune.errors import RoomtuneError

UNFINISHED = ".part"
LOCK = ".lock"
MEASURING = ".measuring"


def digest(data: bytes) -> str:
    """SHA-256 of the data, as hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a file's content, as hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextlib.contextmanager
def told_plainly(path: Path) -> Iterator[None]:
    """Turn a refusal of the file system into one sentence that says what to do.

    Raises that RoomtuneError in place of the OSError.
    """
    try:
        yield
    except OSError as error:
        raise RoomtuneError(_sentence(path, error)) from error


def _sentence(path: Path, error: OSError) -> str:
    kept = "everything measured before is kept"
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return (
            f"no room left on the disk to write {path}; {kept}: "
            "free some space, then run it again (measure with --resume)"
        )
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return (
            f"not allowed to write {path} ({error.strerror}); {kept}: "
            "make the folder writable, or work on a copy elsewhere (measure with --resume)"
        )
    return f"could not write {path} ({error.strerror or error}); {kept}"


def write_atomically(path: Path, data: bytes | Iterable[bytes]) -> None:
    """Write the whole file or nothing: temporary name, flush to disk, rename.

    `data` as a whole or in pieces. Raises RoomtuneError when the file system refuses;
    the former content of `path`, if any, then stands untouched and the temporary file is removed.
    """
    unfinished = path.with_name(f".{path.name}.{os.getpid()}{UNFINISHED}")
    with told_plainly(path):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with unfinished.open("wb") as file:
                file.writelines([data] if isinstance(data, bytes) else data)
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(path)
            _flush_folder(path.parent)
        except BaseException:
            with contextlib.suppress(OSError):
                unfinished.unlink(missing_ok=True)
            raise


def write_new(path: Path, data: bytes) -> None:
    """Write a file that must not exist yet, whole or not at all; ValueError when it does."""
    if path.exists():
        raise ValueError(f"{path} exists already and is never overwritten")
    write_atomically(path, data)


def _flush_folder(folder: Path) -> None:
    """Make a rename durable, where the system can (POSIX)."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    except OSError:
        pass  # some network file systems cannot; the rename itself stands
    finally:
        os.close(handle)


@contextlib.contextmanager
def only_writer(folder: Path, patience_s: float = 20.0) -> Iterator[None]:
    """Hold the folder's lock: while one process writes, others wait their turn.

    The lock belongs to the open file and ends with the process, so a crash
    leaves none behind. RoomtuneError when it is not free in `patience_s`.
    """
    busy = f"another program has been writing to this session for {patience_s:g} s"
    with _held(folder / LOCK, patience_s, busy):
        yield


@contextlib.contextmanager
def only_measurer(folder: Path) -> Iterator[None]:
    """Hold the folder for measuring; RoomtuneError at once while another process does."""
    with _held(folder / MEASURING, 0.0, "another program is measuring into this session"):
        yield


@contextlib.contextmanager
def _held(path: Path, patience_s: float, busy: str) -> Iterator[None]:
    with told_plainly(path):
        file = path.open("ab")
    with file:
        deadline = time.monotonic() + patience_s
        while not _try_lock(file):
            if time.monotonic() >= deadline:
                raise RoomtuneError(
                    f"{path.parent}: {busy}; wait until it is done or end it, then run this again"
                )
            time.sleep(0.02)
        yield


def _try_lock(file: IO[bytes]) -> bool:
    try:
        import fcntl
    except ImportError:
        return _try_lock_elsewhere(file)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EAGAIN, errno.EACCES):
            return False
        raise
    return True


def _try_lock_elsewhere(file: IO[bytes]) -> bool:
    import msvcrt  # Windows

    try:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    except OSError:
        return False
    return True


def stamp(path: Path) -> tuple[int, int] | None:
    """What changes whenever a file is replaced (time in ns, inode); None where there is none."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_ino
