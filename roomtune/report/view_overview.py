"""The first view: every output in a line, the room's decay and its modes."""

from __future__ import annotations

from roomtune.analysis.overview import OutputView, view_output
from roomtune.report.plots import Line
from roomtune.report.subject import Subject
from roomtune.report.view import Cell, Column, Curves, Sheet, View
from roomtune.report.view_modes import (
    main_place,
    mode_sheet,
    room_of,
    room_sentences,
    sure_modes,
)
from roomtune.report.view_parts import (
    ARRIVAL_REMARK,
    curves_of,
    frequency_plot,
    played_levels_db,
    shown_range,
)
from roomtune.signal.bands import third_octave_centres_hz


def overview(subject: Subject) -> View:
    """Arrival, polarity, level and range of every output; decay and modes of the room."""
    seat = main_place(subject)
    views = [
        view_output(
            subject.measured.responses[row], subject.band_hz(row), subject.weights, seat,
            subject.measured.spectrum[row],
        )
        for row in range(len(subject.outputs))
    ]  # fmt: skip
    room = room_of(subject, tuple(view.decay for view in views))
    kept = sure_modes(room)
    centres = third_octave_centres_hz(16, 20e3)
    levels = played_levels_db(subject, centres, 3)
    sheets = [_output_sheet(subject, views, seat)]
    if room.modes is not None and len(kept):
        sheets.append(mode_sheet(room, kept))
    return View(
        "Overview",
        "Every output with the polarity and the range that you expect of it; alike outputs alike "
        "in level.",
        tuple(sheets),
        Curves((("centre_hz", centres),), tuple(curves_of(subject, "level_db", levels))),
        (
            frequency_plot(
                f"Third-octave levels at {subject.seats[seat]}", centres,
                [Line(name, levels[row, seat], "part", row)
                 for row, name in enumerate(subject.outputs)],
                f"level in {subject.level_unit}", shown_range(levels[:, seat]),
            ),
        ),
        {"room": {"decay_s": room.decay_s, "schroeder_hz": room.schroeder_hz}},
        room_sentences(room),
    )  # fmt: skip


def _output_sheet(subject: Subject, views: list[OutputView], seat: int) -> Sheet:
    names: list[Cell] = list(subject.outputs)
    sure = [float(view.polarity.confidence) for view in views]
    ranges = [f"{low:.0f} to {high:.0f}" for low, high in (view.range_hz for view in views)]
    return Sheet(
        "outputs",
        f"Outputs at {subject.seats[seat]}",
        (
            Column("output", "output", names),
            Column("arrival_ms", "arrival ms", [1000 * float(v.arrival.time_s) for v in views], 3),
            Column("arrival_uncertainty_ms", "± ms",
                   [1000 * float(v.arrival.uncertainty_s) for v in views], 3),
            Column("polarity", "polarity", [_polarity(v) for v in views]),
            Column("polarity_confidence", None, sure),
            Column("", "sure", [f"{100 * share:.0f} %" for share in sure]),
            Column("level_db", subject.level_unit.replace("dB re full scale", "level dB"),
                   [float(v.level_db[seat]) + subject.offset_db for v in views], 1),
            Column("low_hz", None, [v.range_hz[0] for v in views]),
            Column("high_hz", None, [v.range_hz[1] for v in views]),
            Column("", "plays Hz", ranges),
        ),
        (
            ARRIVAL_REMARK,
            f"Level: mean in the band, of a full-scale sine, in {subject.level_unit}. Range: "
            "weighted average of the seats.",
        ),
    )  # fmt: skip


def _polarity(view: OutputView) -> str:
    return {1: "normal", -1: "reversed"}.get(int(view.polarity.sign), "?")
