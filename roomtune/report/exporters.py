"""Files for other programs: tuning, settings, coefficients, impulse responses, columns, taps."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from roomtune.advisor.measured import Measured
from roomtune.advisor.prediction import Prediction
from roomtune.errors import RoomtuneError
from roomtune.processor.exporting import CoefficientStyle, coefficients_csv
from roomtune.processor.filters import filter_taps
from roomtune.processor.number_format import hexadecimal, number_format
from roomtune.processor.storage import tuning_to_json
from roomtune.processor.tuning import Tuning
from roomtune.report.settings_pdf import settings_pdf
from roomtune.report.sheet_layout import SheetLayout, table_text
from roomtune.session.audio_files import wav_bytes
from roomtune.session.names import safe_name
from roomtune.session.storage import write_atomically
from roomtune.signal.bands import log_frequencies_hz
from roomtune.signal.values import FrequencyResponse
from roomtune.system.model import System

COLUMN_POINTS_PER_OCTAVE = 48


def export_tuning(path: Path, tuning: Tuning) -> Path:
    """Write tuning.json."""
    return _written(path, tuning_to_json(tuning).encode())


def export_settings_csv(
    path: Path, tuning: Tuning, system: System, layout: SheetLayout | None = None
) -> Path:
    """Write the settings sheet as a table, in a processor's own layout where one is given."""
    return _written(path, table_text(tuning, system, layout or SheetLayout()).encode())


def export_settings_pdf(path: Path, tuning: Tuning, system: System, date: str = "") -> Path:
    """Write the settings sheet as PDF."""
    return _written(path, settings_pdf(tuning, system, date))


def export_biquads(path: Path, tuning: Tuning, style: CoefficientStyle | None = None) -> Path:
    """Write the filter coefficients as CSV; RoomtuneError when the format cannot hold them."""
    try:
        text = coefficients_csv(tuning, style or CoefficientStyle())
    except ValueError as error:
        raise RoomtuneError(f"the coefficients cannot be exported: {error}") from error
    return _written(path, text.encode())


def export_fir(folder: Path, tuning: Tuning) -> tuple[Path, ...]:
    """Write the taps of every FIR filter, as the processor holds them; none where there is none.

    Each as a 32-bit float WAV; for a fixed-point format also as its words, in
    hexadecimal, one to a line.
    """
    written, style = [], number_format(tuning.number_format)
    for output in sorted(tuning.outputs, key=lambda o: o.number):
        for number, item in enumerate(output.filters, start=1):
            if item.taps is None:
                continue
            held = filter_taps(item, tuning.number_format)
            name = f"{output.number:02d}-{safe_name(output.name)}-filter-{number}"
            data = wav_bytes(held, tuning.sample_rate_hz)
            written.append(_written(Path(folder) / f"{name}.wav", data))
            if not style.floating:
                lines = "".join(f"{word}\n" for word in hexadecimal(held, style))
                written.append(_written(Path(folder) / f"{name}.txt", lines.encode()))
    return tuple(written)


def export_impulse_responses(folder: Path, measured: Measured) -> tuple[Path, ...]:
    """Write one 32-bit float WAV per seat, its channels the outputs in their order.

    The samples of all files start at the same time before the arrivals, so
    that delays can be compared. impulse-responses.txt lists the channels.
    """
    responses = measured.responses
    written, lines = [], [f"sample rate {responses.sample_rate_hz:g} Hz, unit {responses.unit}",
             f"first sample at {1000 * responses.start_s:.6f} ms after the reference"]  # fmt: skip
    for column, seat in enumerate(measured.seats):
        name = f"{column + 1:02d}-{safe_name(seat)}.wav"
        data = wav_bytes(responses.samples[:, column].T, responses.sample_rate_hz)
        written.append(_written(Path(folder) / name, data))
        lines.append(f"{name}: seat {seat}")
    lines += [f"channel {i}: output {name}" for i, name in enumerate(measured.outputs, start=1)]
    listing = Path(folder) / "impulse-responses.txt"
    written.append(_written(listing, ("\n".join(lines) + "\n").encode()))
    return tuple(written)


def columns_text(response: FrequencyResponse, comment: str = "") -> str:
    """One response (k,) as plain columns: frequency in Hz, level in dB, phase in degrees.

    Raises ValueError for more than one response.
    """
    if response.values.ndim != 1:
        raise ValueError(f"one response at a time, got {response.values.shape}")
    lines = [f"# {line}" for line in comment.splitlines()]
    lines.append("# frequency (Hz)\tlevel (dB)\tphase (degrees)")
    level = response.magnitude_db
    phase = np.degrees(np.angle(response.values))
    for row in zip(response.frequencies_hz, level, phase, strict=True):
        lines.append("{:.4f}\t{:.4f}\t{:.3f}".format(*row))
    return "\n".join(lines) + "\n"


def export_measured_columns(folder: Path, measured: Measured) -> tuple[Path, ...]:
    """Write columns for every output at every seat, on a grid of 48 points per octave."""
    frequencies = _column_frequencies(measured.responses.sample_rate_hz)
    response = measured.responses.response_at(frequencies)
    names = [(o, s) for o in range(len(measured.outputs)) for s in range(len(measured.seats))]
    return tuple(
        _column_file(
            Path(folder), f"output {measured.outputs[o]}", measured.seats[s], response[o, s]
        )
        for o, s in names
    )


def export_predicted_columns(
    folder: Path, prediction_at: Callable[[np.ndarray], Prediction]
) -> tuple[Path, ...]:
    """Write columns for every channel at every seat; `prediction_at` predicts on a given grid."""
    prediction = prediction_at(_column_frequencies(48000.0))
    pairs = [(c, s) for c in range(len(prediction.channels)) for s in range(len(prediction.seats))]
    return tuple(
        _column_file(Path(folder), f"channel {prediction.channels[c]}", prediction.seats[s],
                     prediction.response[c, s])
        for c, s in pairs
    )  # fmt: skip


def _column_frequencies(sample_rate_hz: float) -> np.ndarray:
    return log_frequencies_hz(10.0, min(22e3, 0.49 * sample_rate_hz), COLUMN_POINTS_PER_OCTAVE)


def _column_file(folder: Path, what: str, seat: str, response: FrequencyResponse) -> Path:
    path = folder / f"{safe_name(what)}-{safe_name(seat)}.txt"
    return _written(path, columns_text(response, f"{what} at {seat}").encode())


def _written(path: Path | str, data: bytes) -> Path:
    write_atomically(Path(path), data)
    return Path(path)
