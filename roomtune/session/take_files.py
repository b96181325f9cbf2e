"""A take as files: raw recording, impulse responses, and a page of JSON that names them.

    takes/0007-woofer-left-main-raw.flac       what the microphone gave (and the loopback); or .wav
    takes/0007-woofer-left-main.wav            the impulse response
    takes/0007-woofer-left-main-harmonics.wav  orders 2, 3 ... as channels
    takes/0007-woofer-left-main.json           everything else, with the checksums of these

The JSON is written last: a take exists when its JSON does.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from roomtune.capture.interface import Recording
from roomtune.capture.take import Grade, Take
from roomtune.errors import RoomtuneError
from roomtune.session.audio_files import read_wav, recording_bytes, wav_bytes
from roomtune.session.codec import from_plain, readable_json, to_plain
from roomtune.session.names import inside, safe_name
from roomtune.session.storage import digest, write_new
from roomtune.signal.json_text import parsed_json
from roomtune.signal.values import ImpulseResponse, Unit

FOLDER = "takes"
FORMAT = "roomtune take"
VERSION = 1
_DAMAGED = (LookupError, TypeError, ValueError, ArithmeticError)


@dataclass(frozen=True)
class TakeEntry:
    """One line of the index: enough to choose a take without loading it.

    `file` is the take's JSON, relative to the session. `through` names the
    tuning file that was in force while a programme channel was measured.
    """

    number: int
    kind: str
    source: str
    seat: str
    grade: Grade
    recorded_at: str
    file: str
    through: str | None = None

    @property
    def key(self) -> tuple[str, str, str]:
        """What was measured: (kind, source, seat)."""
        return self.kind, self.source, self.seat


@dataclass(frozen=True)
class StoredTake:
    """A take that is on disk: its line of the index, its files' checksums, its recording."""

    entry: TakeEntry
    files: dict[str, dict[str, Any]]
    raw_file: str | None = None


def write_take(
    folder: Path,
    number: int,
    take: Take,
    recording: Recording | None = None,
    request: Any = None,
    through: str | None = None,
    raw_file: str | None = None,
) -> StoredTake:
    """Write one take under a number that is free; its files appear whole or not at all.

    `raw_file`: where the same recording was kept already, for another take of it.
    Raises RoomtuneError when the disk refuses; what was written of this take
    is then removed again.
    """
    stem = f"{FOLDER}/{number:04d}-{safe_name(take.source)}-{safe_name(take.seat)}"
    raw: dict[str, bytes] = {}
    if raw_file is None:
        raw_file, raw = _raw(stem, recording)
    sounds = {**raw, **_sounds(stem, take)}
    files = {name: {"sha256": digest(data), "bytes": len(data)} for name, data in sounds.items()}
    take = dataclasses.replace(take, raw_file=raw_file or take.raw_file)
    entry = TakeEntry(
        number, take.kind, take.source, take.seat, take.verdict.grade, take.recorded_at,
        f"{stem}.json", through,
    )  # fmt: skip
    page = _page(stem, take, recording, request, entry, files)
    text = readable_json(page)
    files[entry.file] = {"sha256": digest(text), "bytes": len(text)}
    _write_all(folder, {**sounds, entry.file: text})
    return StoredTake(entry, files, raw_file)


def _write_all(folder: Path, contents: dict[str, bytes]) -> None:
    written: list[Path] = []
    try:
        for name, data in contents.items():
            write_new(folder / name, data)
            written.append(folder / name)
    except RoomtuneError:
        for path in written:
            path.unlink(missing_ok=True)
        raise


def _raw(stem: str, recording: Recording | None) -> tuple[str | None, dict[str, bytes]]:
    """The raw recording's file: its name relative to the session, and its content."""
    if recording is None:
        return None, {}
    ending, data = recording_bytes(recording.samples, recording.sample_rate_hz)
    return f"{stem}-raw{ending}", {f"{stem}-raw{ending}": data}


def _sounds(stem: str, take: Take) -> dict[str, bytes]:
    """The responses' files of a take, by name relative to the session."""
    response = take.impulse_response
    sounds = {f"{stem}.wav": wav_bytes(_columns(response), response.sample_rate_hz)}
    if take.harmonics:
        sounds[f"{stem}-harmonics.wav"] = wav_bytes(*_side_by_side(take.harmonics))
    return sounds


def _columns(response: ImpulseResponse) -> np.ndarray:
    """The samples as (n, channels)."""
    return response.samples.reshape(-1, response.samples.shape[-1]).T


def _side_by_side(responses: tuple[ImpulseResponse, ...]) -> tuple[np.ndarray, float]:
    """Responses as the channels of one file, padded with zeros to the longest."""
    rates = {r.sample_rate_hz for r in responses}
    if len(rates) != 1 or any(r.samples.ndim != 1 for r in responses):
        raise ValueError("the harmonics of a take need one sample rate and one axis each")
    longest = max(r.samples.shape[-1] for r in responses)
    channels = [np.pad(r.samples, (0, longest - r.samples.shape[-1])) for r in responses]
    return np.stack(channels, axis=1), rates.pop()


def _page(
    stem: str,
    take: Take,
    recording: Recording | None,
    request: Any,
    entry: TakeEntry,
    files: dict[str, dict[str, Any]],
) -> dict[str, Any]:
    plain = to_plain(take, {ImpulseResponse: _placeholder})
    plain["impulse_response"]["file"] = f"{stem}.wav"
    for channel, harmonic in enumerate(plain["harmonics"]):
        harmonic.update(file=f"{stem}-harmonics.wav", channel=channel)
    return {
        "format": FORMAT,
        "version": VERSION,
        "number": entry.number,
        "through": entry.through,
        "take": plain,
        "recording": recording
        and {
            "file": take.raw_file,
            "sample_rate_hz": recording.sample_rate_hz,
            "events": list(recording.events),
        },
        "request": _if_plain(request),
        "files": files,
    }


def _if_plain(request: Any) -> Any:
    """The request as plain values, for the record; its text where it holds something else."""
    try:
        return to_plain(request)
    except ValueError:
        return repr(request)


def _placeholder(response: ImpulseResponse) -> dict[str, Any]:
    return {
        "shape": list(response.samples.shape),
        "sample_rate_hz": response.sample_rate_hz,
        "start_s": response.start_s,
        "unit": response.unit,
    }


def read_page(folder: Path, file: str) -> dict[str, Any]:
    """Read a take's JSON; RoomtuneError that names the file when it is not one."""
    path = inside(folder, file)
    try:
        page = parsed_json(path.read_bytes())
    except (OSError, ValueError) as error:
        raise RoomtuneError(
            f"{path}: cannot be read ({error}); restore it from a copy or measure again"
        ) from error
    if not isinstance(page, dict) or page.get("format") != FORMAT:
        raise RoomtuneError(f"{path}: is not a take (expected the format {FORMAT!r})")
    if page.get("version") != VERSION:
        raise RoomtuneError(
            f"{path}: version {page.get('version')!r} of the format is not known here "
            f"(expected {VERSION}); update roomtune"
        )
    return page


def read_take(folder: Path, file: str) -> Take:
    """Load a whole take; RoomtuneError that names the file when something is missing."""
    page = read_page(folder, file)
    sounds: dict[str, tuple[np.ndarray, float]] = {}

    def response(plain: dict[str, Any]) -> ImpulseResponse:
        name = plain["file"]
        if name not in sounds:
            sounds[name] = read_wav(inside(folder, name))
        return _response(plain, *sounds[name])

    try:
        take: Take = from_plain(Take, page["take"], {ImpulseResponse: response})
    except _DAMAGED as error:
        raise _damaged(folder, file, error) from error
    return take


def _response(plain: dict[str, Any], samples: np.ndarray, rate_hz: float) -> ImpulseResponse:
    if rate_hz != plain["sample_rate_hz"]:
        raise ValueError(f"{plain['file']} is at {rate_hz} Hz, not {plain['sample_rate_hz']} Hz")
    shape = tuple(plain["shape"])
    if "channel" in plain:
        samples = samples[: shape[-1], plain["channel"]]
    start_s, unit = from_plain(float, plain["start_s"]), from_plain(Unit, plain["unit"])
    return ImpulseResponse(samples.T.reshape(shape), rate_hz, start_s, unit)


def read_recording(folder: Path, file: str) -> Recording | None:
    """Load the raw recording of a take, where one was kept."""
    try:
        kept = read_page(folder, file)["recording"]
        if not kept:
            return None
        events = from_plain(tuple[str, ...], kept["events"])
        return Recording(*read_wav(inside(folder, kept["file"])), events)
    except _DAMAGED as error:
        raise _damaged(folder, file, error) from error


def stored_take(folder: Path, file: str) -> StoredTake:
    """Take up a take that is on disk but not in the index (its files were complete)."""
    page = read_page(folder, file)
    data = (folder / file).read_bytes()
    try:
        take = page["take"]
        plain = {key: take[key] for key in ("kind", "source", "seat", "recorded_at")}
        plain |= {key: page[key] for key in ("number", "through")}
        plain |= {"grade": take["verdict"]["grade"], "file": file}
        entry: TakeEntry = from_plain(TakeEntry, plain)
        files = {**page["files"], file: {"sha256": digest(data), "bytes": len(data)}}
    except _DAMAGED as error:
        raise _damaged(folder, file, error) from error
    return StoredTake(entry, files)


def _damaged(folder: Path, file: str, error: Exception) -> RoomtuneError:
    return RoomtuneError(f"{folder / file}: is damaged ({error}); measure again")
