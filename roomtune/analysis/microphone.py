"""Microphone corrections: reading them, and taking a microphone's response out.

A correction file is plain text with columns frequency in Hz, level in dB and,
optionally, phase in degrees: the response of the microphone, which is divided
out. A correction without phase is given the minimum phase that belongs to it.
"""

from __future__ import annotations

import pathlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.errors import RoomtuneError
from roomtune.signal.decibels import amplitude
from roomtune.signal.minimum_phase import minimum_phase_on_log_grid
from roomtune.signal.values import FrequencyResponse, ImpulseResponse, read_only

_COMMENT = re.compile(r"^\s*([#*;!%\"'/]|--)")
_NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
_LARGEST_DB = 60.0
_POINTS_PER_OCTAVE = 96
_BEYOND = np.log(2) * 7
_FREQUENCIES_HZ = (0.1, 1e6)


@dataclass(frozen=True)
class SkippedLine:
    """A line that was not used: its number from 1, its text, and why."""

    number: int
    text: str
    reason: str

    def __str__(self) -> str:
        return f"line {self.number} ({self.reason}): {self.text[:60]}"


@dataclass(frozen=True, eq=False)
class MicrophoneCorrection:
    """The response of a microphone, as its file tells it.

    frequencies_hz, gain_db: shape (k,), rising; phase_deg: (k,) or None when
    the file has no phase. `skipped` tells every line that was not used.
    """

    frequencies_hz: NDArray[np.float64]
    gain_db: NDArray[np.float64]
    phase_deg: NDArray[np.float64] | None = None
    name: str = "correction"
    skipped: tuple[SkippedLine, ...] = ()

    def __post_init__(self) -> None:
        for field in ("frequencies_hz", "gain_db", "phase_deg"):
            value = getattr(self, field)
            if value is not None:
                object.__setattr__(self, field, read_only(value, np.float64))

    def __repr__(self) -> str:
        low, high = self.frequencies_hz[[0, -1]]
        phase = "with phase" if self.phase_deg is not None else "magnitude only"
        return (
            f"<MicrophoneCorrection {self.name}, {len(self.frequencies_hz)} points from "
            f"{low:g} to {high:g} Hz, {phase}, {len(self.skipped)} lines skipped>"
        )

    def at(self, frequencies_hz: ArrayLike) -> NDArray[np.complex128]:
        """Complex response of the microphone at any frequencies, shape (k,).

        Level (and phase) are straight lines over log frequency and held beyond
        the ends of the file.
        """
        wanted = np.asarray(frequencies_hz, dtype=float)
        inside = np.log(np.clip(wanted, self.frequencies_hz[0], self.frequencies_hz[-1]))
        known = np.log(self.frequencies_hz)
        if self.phase_deg is not None:
            phase = np.interp(inside, known, np.unwrap(np.radians(self.phase_deg)))
            return amplitude(np.interp(inside, known, self.gain_db)) * np.exp(1j * phase)
        fine, phase = self._minimum_phase()
        phase = np.interp(np.log(np.clip(wanted, np.exp(fine[0]), np.exp(fine[-1]))), fine, phase)
        return amplitude(np.interp(inside, known, self.gain_db)) * np.exp(1j * phase)

    def _minimum_phase(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Minimum phase in radians on a grid of ln f reaching far beyond the file's ends."""
        step = np.log(2) / _POINTS_PER_OCTAVE
        known = np.log(self.frequencies_hz)
        fine = np.arange(known[0] - _BEYOND, known[-1] + _BEYOND, step)
        level = np.interp(fine, known, self.gain_db) * np.log(10) / 20
        return fine, minimum_phase_on_log_grid(level, step)


def read_correction(path: str | pathlib.Path) -> MicrophoneCorrection:
    """Read a correction file: columns frequency in Hz, dB and, optionally, degrees.

    Columns may be separated by blanks, tabs, commas or semicolons; numbers may
    have decimal commas where these do not separate columns. Headers, comments
    and other lines without numbers are skipped and told in `skipped`. Raises
    RoomtuneError when the file cannot be read as such a table.
    """
    path = pathlib.Path(path)
    try:
        text = _decoded(path.read_bytes())
    except OSError as error:
        raise RoomtuneError(
            f"The microphone correction {path} cannot be read ({error.strerror}). "
            "Check correction_file in the [microphone] part of system.toml."
        ) from error
    return parse_correction(text, name=path.name)


def parse_correction(text: str, name: str = "correction") -> MicrophoneCorrection:
    """Return the correction that a text holds; see `read_correction`."""
    rows: list[tuple[float, ...]] = []
    skipped: list[SkippedLine] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        row = _row(line)
        if isinstance(row, str):
            skipped.append(SkippedLine(number, line.strip(), row))
        else:
            rows.append(row)
    return _table(rows, skipped, name)


def correct(
    measured: FrequencyResponse | ImpulseResponse, correction: MicrophoneCorrection
) -> FrequencyResponse | ImpulseResponse:
    """Return the response with the microphone's own response divided out."""
    if isinstance(measured, ImpulseResponse):
        return correct_impulse_response(measured, correction)
    return correct_response(measured, correction)


def correct_response(
    measured: FrequencyResponse, correction: MicrophoneCorrection
) -> FrequencyResponse:
    """Return the frequency response with the microphone's response divided out."""
    return replace(measured, values=measured.values / correction.at(measured.frequencies_hz))


def correct_impulse_response(
    measured: ImpulseResponse, correction: MicrophoneCorrection
) -> ImpulseResponse:
    """Return the impulse response with the microphone's response divided out.

    Done on a zero-padded spectrum, so it agrees with `correct_response`.
    """
    import scipy.fft

    count = measured.samples.shape[-1]
    length = scipy.fft.next_fast_len(max(2 * count, 1 << 16), real=True)
    own = _on_grid(correction, length, measured.sample_rate_hz)
    spectrum = scipy.fft.rfft(measured.samples, length) / own
    samples = scipy.fft.irfft(spectrum, length)[..., :count]
    return replace(measured, samples=samples)


@lru_cache(maxsize=4)
def _on_grid(
    correction: MicrophoneCorrection, length: int, sample_rate_hz: float
) -> NDArray[np.complex128]:
    """The microphone's response on the grid of a real FFT, made once for many takes."""
    import scipy.fft

    return correction.at(scipy.fft.rfftfreq(length, 1 / sample_rate_hz))


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _row(line: str) -> tuple[float, ...] | str:
    """Two or three numbers of a data line, or the reason why it is none."""
    if _COMMENT.match(line):
        return "comment"
    words = _words(line)
    if not words or not _NUMBER.match(words[0]):
        return "no number at its start"
    numbers = []
    for word in words[:3]:
        if not _NUMBER.match(word):
            break
        numbers.append(float(word))
    if len(numbers) < 2:
        return "only one number"
    if not _FREQUENCIES_HZ[0] <= numbers[0] <= _FREQUENCIES_HZ[1]:
        return "no frequency that sound has"
    if not np.all(np.isfinite(numbers)):
        return "not finite"
    if abs(numbers[1]) > _LARGEST_DB:
        return f"level beyond {_LARGEST_DB:g} dB"
    return tuple(numbers)


def _words(line: str) -> list[str]:
    """Split a line into columns; a comma is decimal where another separator is."""
    stripped = line.strip()
    if ";" in stripped:
        words = [word.strip().replace(",", ".") for word in stripped.split(";")]
    elif re.search(r",\s|\s,", stripped) or not re.search(r"\s", stripped):
        words = re.split(r"[,\s]+", stripped)
    else:
        words = stripped.replace(",", ".").split()
    return [word for word in words if word]


def _table(
    rows: Sequence[tuple[float, ...]], skipped: list[SkippedLine], name: str
) -> MicrophoneCorrection:
    if len(rows) < 2:
        told = "; ".join(str(line) for line in skipped[:3]) or "it is empty"
        raise RoomtuneError(
            f"{name} is no microphone correction: {len(rows)} rows of numbers found, at "
            f"least 2 expected (columns: frequency in Hz, dB, optionally degrees). Skipped: {told}"
        )
    with_phase = all(len(row) > 2 for row in rows)
    table = np.array([row[: 3 if with_phase else 2] for row in rows])
    frequencies, place, count = np.unique(table[:, 0], return_inverse=True, return_counts=True)
    if len(frequencies) < 2:
        raise RoomtuneError(f"{name} is no microphone correction: all frequencies are equal.")
    columns = [np.bincount(place, table[:, i]) / count for i in range(1, table.shape[1])]
    return MicrophoneCorrection(
        frequencies, columns[0], columns[1] if with_phase else None, name, tuple(skipped)
    )
