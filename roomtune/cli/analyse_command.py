"""roomtune analyse: what the takes of a session say."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from roomtune.cli.show import as_json, say, table

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.analysis.microphone import MicrophoneCorrection
    from roomtune.analysis.overview import OutputView, RoomView
    from roomtune.system.model import System

SURE_OF_DECAY = 0.2


@click.command("analyse")
@click.option("--session", "choice", help="Session by name or folder; the newest otherwise.")
@click.option("--json", "json_wanted", is_flag=True, help="Print JSON.")
@click.option(
    "--csv",
    "csv_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write third-octave levels.",
)
def command(choice: str | None, json_wanted: bool, csv_path: Path | None) -> None:
    """Show what every output does, and what the room does.

    Arrival, polarity and decay are judged at the main seat; levels and the
    range are of the weighted seat average; modes come from all outputs and
    seats together.
    """
    from roomtune.cli.project import open_session, system_of
    from roomtune.cli.responses import correction_of, measured_of

    session = open_session(choice)
    system = system_of(session)
    measured = measured_of(session, system)
    tell_correction(correction_of(session, system))
    if csv_path is not None:
        write_levels(csv_path, measured)
        say(f"Wrote {csv_path}.")
    views = output_views(system, measured)
    room = room_view(system, measured, views)
    seat = measured.seats.index(system.main_seat.name)
    rows = [output_row(name, view, seat) for name, view in views.items()]
    modes = mode_rows(room)
    if json_wanted:
        as_json({"outputs": rows, "room": room_figures(room), "modes": modes})
        return
    show_outputs(f"Outputs at the main seat ({system.main_seat.name})", rows)
    show_room(room, modes)
    say("Levels are re digital full scale at 0 dB full-scale drive. Next: roomtune advise")


def tell_correction(correction: MicrophoneCorrection | None) -> None:
    """Say what was read of the microphone's correction, and what was not."""
    if correction is None:
        say("No microphone correction: the response shown includes the microphone's own.")
        return
    low, high = correction.frequencies_hz[[0, -1]]
    say(
        f"Microphone correction {correction.name}: {correction.frequencies_hz.size} points from "
        f"{low:g} to {high:g} Hz, {'level only' if correction.phase_deg is None else 'with phase'}."
    )
    for line in correction.skipped:
        if line.reason != "comment":
            say(f"Skipped in it: {line}")


def output_views(system: System, measured: Measured) -> dict[str, OutputView]:
    """Every output's view, by its name."""
    from roomtune.analysis.overview import view_output

    weights = [system.seat(name).weight for name in measured.seats]
    seat = measured.seats.index(system.main_seat.name)
    return {
        name: view_output(measured.responses[index], band_of(measured, index), weights, seat)
        for index, name in enumerate(measured.outputs)
    }


def band_of(measured: Measured, index: int) -> tuple[float, float]:
    """The band in which an output was played."""
    low, high = measured.bands_hz[index]
    return float(low), float(high)


def room_view(system: System, measured: Measured, views: dict[str, OutputView]) -> RoomView:
    """The room's view from all outputs together."""
    from roomtune.analysis.overview import view_room

    return view_room(
        measured.responses,
        measured.bands_hz,
        [view.arrival.time_s for view in views.values()],
        tuple(view.decay for view in views.values()),
        system.room_size_m,
    )


def output_row(name: str, view: OutputView, seat: int) -> dict[str, Any]:
    """One output as plain values; None for what could not be told."""
    return {
        "output": name,
        "arrival_ms": told(1000 * view.arrival.time_s[seat]),
        "arrival_uncertainty_ms": told(1000 * view.arrival.uncertainty_s[seat]),
        "polarity": "reversed" if view.polarity.sign[seat] < 0 else "normal",
        "polarity_confidence": told(view.polarity.confidence[seat]),
        "level_db": told(view.level_db[seat]),
        "low_hz": told(view.range_hz[0]),
        "high_hz": told(view.range_hz[1]),
    }


def told(value: float) -> float | None:
    """A finite number, or None for what could not be told."""
    return float(value) if math.isfinite(value) else None


def room_figures(room: RoomView) -> dict[str, float | None]:
    """Decay and Schroeder frequency as plain values."""
    return {"decay_s": told(room.decay_s), "schroeder_hz": told(room.schroeder_hz)}


def mode_rows(room: RoomView) -> list[dict[str, Any]]:
    """The room's modes as plain values, lowest first; those too uncertain are left out."""
    if room.modes is None:
        return []
    names = room.names or (None,) * len(room.lasting)
    return [
        {
            "frequency_hz": float(frequency),
            "decay_s": float(decay),
            "decay_uncertainty_s": float(uncertainty),
            "indices": None if name is None else list(name.indices),
            "lasting": bool(lasting),
        }
        for frequency, decay, uncertainty, name, lasting in zip(
            room.modes.frequencies_hz,
            room.modes.decay_s,
            room.modes.decay_uncertainty_s,
            names,
            room.lasting,
            strict=True,
        )
        if uncertainty < SURE_OF_DECAY * decay
    ]


def show_outputs(title: str, rows: list[dict[str, Any]]) -> None:
    """Print a line per output."""
    table(
        title,
        ("output", "arrival ms", "± ms", "polarity", "sure", "level dB", "plays Hz"),
        [
            (
                row["output"],
                shown(row["arrival_ms"], 3),
                shown(row["arrival_uncertainty_ms"], 3),
                row["polarity"],
                f"{100 * (row['polarity_confidence'] or 0):.0f} %",
                shown(row["level_db"], 1),
                f"{shown(row['low_hz'], 0)} to {shown(row['high_hz'], 0)}",
            )
            for row in rows
        ],
    )


def show_room(room: RoomView, modes: list[dict[str, Any]]) -> None:
    """Print decay and modes; say which modes last longer than is noticed."""
    figures = room_figures(room)
    if figures["decay_s"] is not None:
        click.echo(f"\nThe room decays in {figures['decay_s']:.2f} s (T20, 500 Hz and 1 kHz).")
    if figures["schroeder_hz"] is not None:
        click.echo(f"Below about {figures['schroeder_hz']:.0f} Hz single modes rule.")
    if not modes:
        return
    click.echo()
    table(
        "Modes",
        ("frequency Hz", "decay s", "indices", ""),
        [
            (
                f"{mode['frequency_hz']:.1f}",
                f"{mode['decay_s']:.2f}",
                " ".join(map(str, mode["indices"])) if mode["indices"] else "",
                "rings on audibly" if mode["lasting"] else "",
            )
            for mode in modes
        ],
    )


def shown(value: float | None, digits: int) -> str:
    """A number for a table; a question mark for what could not be told."""
    return "?" if value is None else f"{value:.{digits}f}"


def write_levels(path: Path, measured: Measured) -> None:
    """Write third-octave levels per output and seat, dB, as CSV with units in the header."""
    import csv

    from roomtune.errors import RoomtuneError
    from roomtune.signal.bands import band_levels_db, third_octave_centres_hz

    centres = third_octave_centres_hz(16, 20000)
    levels = band_levels_db(measured.spectrum, centres)
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(["output", "seat", *(f"{centre:.4g} Hz (dB)" for centre in centres)])
            for index, output in enumerate(measured.outputs):
                for place, seat in enumerate(measured.seats):
                    writer.writerow([output, seat, *map(_cell, levels[index, place])])
    except OSError as error:
        raise RoomtuneError(f"The levels cannot be written to {path}: {error}.") from error


def _cell(level_db: float) -> str:
    """A level for the table; empty where nothing was measured."""
    return f"{level_db:.2f}" if -200 < level_db < 200 else ""
