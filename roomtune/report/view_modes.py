"""The view of the room's modes: how long they ring, how strongly each output drives them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.decay import Decay
from roomtune.analysis.overview import RoomView, middle_decay, view_room
from roomtune.analysis.rooms import noticed_decay_s
from roomtune.errors import RoomtuneError
from roomtune.report.subject import Subject
from roomtune.report.surfaces import Stems
from roomtune.report.view import Cell, Column, Sheet, View

Real = NDArray[np.float64]
SURE_OF_DECAY = 0.2


def modes(subject: Subject) -> View:
    """Frequency, decay and strength of every mode, from all outputs and seats together.

    Raises RoomtuneError when no output plays low enough.
    """
    seat = main_place(subject)
    room = room_of(
        subject,
        tuple(
            middle_decay(subject.measured.responses[row, seat], subject.band_hz(row))
            for row in range(len(subject.outputs))
        ),
    )
    if room.modes is None:
        raise RoomtuneError(
            "No modes can be told: they need an output that plays from below 60 Hz to 120 Hz and "
            "takes that last long enough."
        )
    kept = sure_modes(room)
    sheet = mode_sheet(room, kept, _strength_columns(subject, room, kept))
    return View(
        f"Modes of the room below 120 Hz, {len(room.modes.level_db)} outputs, "
        f"{len(subject.seats)} seats",
        "Modes that ring on audibly are worth damping, or driving less: a subwoofer in another "
        "place, a second one, or a narrow cut at that frequency.",
        (sheet,),
        figures=(_decay_stems(room, kept), _strength_stems(subject, room, kept)),
        facts={"room": {"decay_s": room.decay_s, "schroeder_hz": room.schroeder_hz}},
        sentences=room_sentences(room),
    )


def room_of(subject: Subject, decays: tuple[Decay | None, ...] = ()) -> RoomView:
    """The room from all outputs of the subject that play low enough."""
    return view_room(
        subject.measured.responses,
        subject.measured.bands_hz,
        decays,
        subject.system.room_size_m,
    )


def main_place(subject: Subject) -> int:
    """The place of the main seat among those looked at, else the first."""
    name = subject.system.main_seat.name
    return subject.seats.index(name) if name in subject.seats else 0


def room_sentences(room: RoomView) -> tuple[str, ...]:
    """How long the room rings, and up to where its modes stand alone."""
    told = []
    if np.isfinite(room.decay_s):
        told.append(f"The room decays in {room.decay_s:.2f} s (T20, 500 Hz and 1 kHz).")
    if np.isfinite(room.schroeder_hz):
        told.append(f"Below about {room.schroeder_hz:.0f} Hz single modes rule.")
    return tuple(told)


def sure_modes(room: RoomView) -> NDArray[np.int_]:
    """Places of the modes whose decay is known well enough to be shown."""
    if room.modes is None:
        return np.zeros(0, dtype=int)
    sure = room.modes.decay_uncertainty_s < SURE_OF_DECAY * room.modes.decay_s
    return np.flatnonzero(sure)


def mode_sheet(room: RoomView, kept: NDArray[np.int_], more: tuple[Column, ...] = ()) -> Sheet:
    """A row per mode, lowest first."""
    assert room.modes is not None
    found = room.modes
    names = room.names or (None,) * len(found.frequencies_hz)
    indices: list[Cell] = [list(names[i].indices) if names[i] else None for i in kept]

    def column(key: str, heading: str | None, values: Real, digits: int) -> Column:
        return Column(key, heading, [float(v) for v in values[kept]], digits)

    return Sheet(
        "modes",
        "Modes",
        (
            column("frequency_hz", "frequency Hz", found.frequencies_hz, 1),
            column("frequency_uncertainty_hz", None, found.frequency_uncertainty_hz, 3),
            column("decay_s", "decay s", found.decay_s, 2),
            column("decay_uncertainty_s", None, found.decay_uncertainty_s, 2),
            column("quality", "Q", found.quality, 0),
            Column("indices", None, indices),
            Column("", "indices",
                   ["" if cell is None else " ".join(map(str, cell)) for cell in indices]),  # type: ignore[arg-type]
            Column("lasting", None, [bool(room.lasting[i]) for i in kept]),
            Column("", "", ["rings on audibly" if room.lasting[i] else "" for i in kept]),
            *more,
        ),
    )  # fmt: skip


def _strength_columns(
    subject: Subject, room: RoomView, kept: NDArray[np.int_]
) -> tuple[Column, ...]:
    """What drives each mode most, and in JSON and CSV every output at every seat."""
    assert room.modes is not None
    level = room.modes.level_db + subject.offset_db
    names = [subject.outputs[row] for row in room.low_outputs]
    flat = level.reshape(-1, level.shape[-1])
    loudest = [np.unravel_index(int(np.nanargmax(flat[:, i])), level.shape[:-1]) for i in kept]
    columns = [
        Column("strongest_output", "strongest", [names[int(row)] for row, _ in loudest]),
        Column("strongest_seat", "at", [subject.seats[int(seat)] for _, seat in loudest]),
        Column("strongest_level_db", "dB", [float(np.nanmax(flat[:, i])) for i in kept], 0),
    ]
    for row, output in enumerate(names):
        columns += [
            Column(
                f"{output} at {seat}: level_db", None, [float(level[row, place, i]) for i in kept]
            )
            for place, seat in enumerate(subject.seats)
        ]
    return tuple(columns)


def _decay_stems(room: RoomView, kept: NDArray[np.int_]) -> Stems:
    assert room.modes is not None
    frequencies = room.modes.frequencies_hz[kept]
    return Stems(
        "Decay time of each mode", frequencies, room.modes.decay_s[kept], _labels(room, kept),
        "frequency in Hz", "time for 60 dB in s", noticed_decay_s(frequencies),
        "noticed by listeners from here on",
    )  # fmt: skip


def _strength_stems(subject: Subject, room: RoomView, kept: NDArray[np.int_]) -> Stems:
    assert room.modes is not None
    level = np.nanmax(room.modes.level_db[..., kept].reshape(-1, len(kept)), axis=0)
    level = level + subject.offset_db
    foot = float(np.floor((level.min() - 3) / 10) * 10) if len(level) else 0.0
    return Stems(
        "Level of each mode where it is strongest", room.modes.frequencies_hz[kept], level,
        _labels(room, kept), "frequency in Hz", f"level in {subject.level_unit}", foot=foot,
    )  # fmt: skip


def _labels(room: RoomView, kept: NDArray[np.int_]) -> tuple[str, ...]:
    names = room.names or (None,) * (int(kept.max(initial=-1)) + 1)
    return tuple("" if names[i] is None else " ".join(map(str, names[i].indices)) for i in kept)
