"""File names that are safe on every system, and paths that stay inside a folder."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from pathlib import Path, PurePosixPath

from roomtune.errors import RoomtuneError

LONGEST, LONGEST_PATH = 40, 250
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$", re.IGNORECASE)


def safe_name(text: str) -> str:
    """Turn any text into a portable file name of 1 to 40 of a-z, 0-9, hyphen and underscore.

    Accents are dropped, everything else becomes a hyphen. Where nothing is left
    (or a name that some systems reserve), a short digest of the text stands in,
    so that the result is never empty, hidden or a way out of the folder.
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9_]+", "-", plain).strip("-_")[:LONGEST].strip("-_")
    if not name or _RESERVED.match(name):
        digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        name = f"x{digest}"
    return name


def inside(folder: Path, relative: str) -> Path:
    """Return the path of `relative` below `folder`; RoomtuneError when it leads elsewhere."""
    if not _nameable(relative):
        raise _leads_out(folder, relative)
    parts = PurePosixPath(relative.replace("\\", "/"))
    path = folder / parts
    leads_out = parts.is_absolute() or ".." in parts.parts or ":" in relative
    if leads_out or not path.resolve().is_relative_to(folder.resolve()):
        raise _leads_out(folder, relative)
    return path


def _nameable(relative: object) -> bool:
    """Whether a file system could hold a file of that name at all."""
    if not isinstance(relative, str) or "\0" in relative:
        return False
    return len(relative.encode("utf-8", "replace")) <= LONGEST_PATH and relative.isprintable()


def _leads_out(folder: Path, relative: object) -> RoomtuneError:
    return RoomtuneError(
        f"{folder}: the index names the file {relative!r:.80}, which is not inside this folder; "
        "the session was damaged or tampered with: restore it from a copy"
    )
