"""roomtune analyse: what the takes of a session say."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from roomtune.cli.show import as_json, say, table

if TYPE_CHECKING:
    from roomtune.advisor.measured import Measured
    from roomtune.analysis.microphone import MicrophoneCorrection
    from roomtune.system.model import System


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
    """Show arrival, polarity, level and third-octave response of every output.

    Levels are of the weighted seat average; arrivals and polarity are judged
    at the main seat.
    """
    from roomtune.cli.project import open_session, system_of
    from roomtune.cli.responses import correction_of, measured_of

    session = open_session(choice)
    system = system_of(session)
    measured = measured_of(session, system)
    tell_correction(correction_of(session, system))
    rows = output_rows(system, measured)
    if csv_path is not None:
        write_levels(csv_path, system, measured)
        say(f"Wrote {csv_path}.")
    if json_wanted:
        as_json(rows)
        return
    table(
        f"Outputs at the main seat ({system.main_seat.name})",
        ("output", "arrival ms", "± ms", "polarity", "sure", "level dB", "band Hz"),
        [
            (
                row["output"],
                f"{row['arrival_ms']:.3f}",
                f"{row['arrival_uncertainty_ms']:.3f}",
                row["polarity"],
                f"{100 * row['polarity_confidence']:.0f} %",
                f"{row['level_db']:.1f}",
                f"{row['low_hz']:.0f} to {row['high_hz']:.0f}",
            )
            for row in rows
        ],
    )
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


def output_rows(system: System, measured: Measured) -> list[dict[str, Any]]:
    """One plain row per output: arrival, polarity and level."""
    from roomtune.analysis.arrival import arrival
    from roomtune.analysis.averages import seat_average
    from roomtune.analysis.levels import band_level_db
    from roomtune.analysis.polarity import polarity

    seat = measured.seats.index(system.main_seat.name)
    weights = [system.seat(name).weight for name in measured.seats]
    average = seat_average(measured.spectrum, weights)
    rows = []
    for index, name in enumerate(measured.outputs):
        band = (float(measured.bands_hz[index, 0]), float(measured.bands_hz[index, 1]))
        response = measured.responses[index, seat]
        time, sign = arrival(response, band), polarity(response, band)
        rows.append(
            {
                "output": name,
                "arrival_ms": 1000 * float(time.time_s),
                "arrival_uncertainty_ms": 1000 * float(time.uncertainty_s),
                "polarity": "normal" if float(sign.sign) > 0 else "reversed",
                "polarity_confidence": float(sign.confidence),
                "level_db": float(band_level_db(average[index], band)),
                "low_hz": band[0],
                "high_hz": band[1],
            }
        )
    return rows


def write_levels(path: Path, system: System, measured: Measured) -> None:
    """Write third-octave levels per output and seat, dB, as CSV with units in the header."""
    import csv

    from roomtune.signal.bands import band_levels_db, third_octave_centres_hz

    centres = third_octave_centres_hz(16, 20000)
    levels = band_levels_db(measured.spectrum, centres)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["output", "seat", *(f"{centre:.4g} Hz (dB)" for centre in centres)])
        for index, output in enumerate(measured.outputs):
            for place, seat in enumerate(measured.seats):
                writer.writerow([output, seat, *map(_cell, levels[index, place])])


def _cell(level_db: float) -> str:
    """A level for the table; empty where nothing was measured."""
    return f"{level_db:.2f}" if -200 < level_db < 200 else ""
