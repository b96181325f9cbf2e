"""Whether the disk will take what is about to be measured, asked before the first sound."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from roomtune.capture.stimulus import schedule
from roomtune.errors import RoomtuneError
from roomtune.session.storage import told_plainly

BYTES_PER_RAW_SAMPLE = 3
RESPONSES_S = 10.0
PAGE_BYTES = 1_000_000
MARGIN = 1.5


def bytes_needed(requests: Sequence[Any]) -> int:
    """Estimate generously what the takes of some requests will fill, attempts included."""
    total = 0.0
    for request in requests:
        rate = request.sweep.sample_rate_hz
        raw = (schedule(request).total_s + 2) * rate * len(request.inputs) * BYTES_PER_RAW_SAMPLE
        total += raw + RESPONSES_S * rate * 4 + PAGE_BYTES
    return round(MARGIN * total)


def check_room(folder: Path, requests: Sequence[Any]) -> None:
    """Raise RoomtuneError unless the folder can be written and the disk has room enough.

    `folder` is where the takes will lie, or the first folder above that exists.
    """
    folder = Path(folder).absolute()
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    probe = folder / f".room-{os.getpid()}.part"
    with told_plainly(folder):
        probe.write_bytes(b"roomtune")
        probe.unlink()
    needed, free = bytes_needed(requests), shutil.disk_usage(folder).free
    if free < needed:
        raise RoomtuneError(
            f"The disk of {folder} has {free / 1e6:.0f} MB left, {len(requests)} takes need about "
            f"{needed / 1e6:.0f} MB. Free some space first; what was measured before is kept."
        )
