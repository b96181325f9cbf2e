"""An edited system.toml and what was measured before: what may differ, and what counts.

What was measured (which outputs through which ways, at which seats, with which
microphone) must be as it was. What is wished (target, wishes, weights of the
seats), what may be done (processor, levels, driver data) and which loudspeaker
plays which channel are taken as they stand now.
"""

from __future__ import annotations

import filecmp
from collections.abc import Iterator
from typing import Any

from roomtune.errors import RoomtuneError
from roomtune.system.faults import shown
from roomtune.system.model import Microphone, Output, System

MOST_TOLD = 6


def following(measured: System, current: System) -> System:
    """The current system, held against the one that was measured.

    Microphone and audio settings stay the measured ones. Raises RoomtuneError
    that lists what differs in what was measured, and what to do about it.
    """
    found = list(_differences(measured, current))
    if found:
        more = f"\n  and {len(found) - MOST_TOLD} more" if len(found) > MOST_TOLD else ""
        raise RoomtuneError(
            "system.toml is no longer what this session measured:\n  "
            + "\n  ".join(found[:MOST_TOLD])
            + more
            + "\nMeasure again (roomtune measure), set these back, or take the session's own copy "
            "as it was: roomtune advise --as-measured"
        )
    return current.model_copy(update={"microphone": measured.microphone, "audio": measured.audio})


def changed_parts(measured: System, current: System) -> tuple[str, ...]:
    """Which parts of a system.toml were edited since, by their names there."""
    parts = [name for name in System.model_fields if name not in ("microphone", "audio")]
    return tuple(p for p in parts if getattr(measured, p) != getattr(current, p))


def _differences(measured: System, current: System) -> Iterator[str]:
    yield from _members("output", measured, current, "outputs")
    yield from _members("seat", measured, current, "seats")
    before = {output.name: output for output in measured.outputs}
    for output in current.outputs:
        if output.name in before:
            yield from _output_differences(before[output.name], output)
    places = {seat.name: seat.position_m for seat in measured.seats}
    for seat in current.seats:
        was = places.get(seat.name, seat.position_m)
        if was and seat.position_m and was != seat.position_m:
            yield _told(f'seat "{seat.name}" position_m', was, seat.position_m)
    yield from _microphone(measured.microphone, current.microphone)


def _members(what: str, measured: System, current: System, kind: str) -> Iterator[str]:
    known = [part.name for part in getattr(measured, kind)]
    for part in getattr(current, kind):
        if part.name not in known:
            yield f'{what} "{part.name}" was not measured (there were {", ".join(known)})'


def _output_differences(before: Output, now: Output) -> Iterator[str]:
    name = f'output "{now.name}"'
    for key in ("playback", "driver"):
        if getattr(before, key) != getattr(now, key):
            was, is_now = (_plain(getattr(o, key)) for o in (before, now))
            yield _told(f"{name} {key}", was, is_now)
    (low, high), (now_low, now_high) = before.safe_band_hz, now.safe_band_hz
    if now_low < low or now_high > high:
        wider = _told(f"{name} safe_band_hz", before.safe_band_hz, now.safe_band_hz)
        yield f"{wider}; it was not measured that wide"


def _microphone(before: Microphone, now: Microphone) -> Iterator[str]:
    for key in ("interface_input", "sensitivity_dbfs_at_94_db"):
        if getattr(before, key) != getattr(now, key):
            yield _told(f"microphone {key}", getattr(before, key), getattr(now, key))
    if not _same_file(before.correction_file, now.correction_file):
        yield "microphone correction_file: not the one that this session keeps"


def _same_file(one: str | None, other: str | None) -> bool:
    if one is None or other is None:
        return one is other
    return filecmp.cmp(one, other, shallow=False)


def _plain(value: Any) -> Any:
    return value.interface_output if hasattr(value, "interface_output") else value


def _told(what: str, before: Any, now: Any) -> str:
    return f"{what}: {shown(before)} then, {shown(now)} now"
