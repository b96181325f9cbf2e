"""Measuring through files: write what to play, read what any recorder made of it.

`write_playback` puts all takes into one multichannel WAV with pauses between,
and a plan (JSON) beside it. `read_takes` finds them again in a recording that
began at any time, on another clock, at another sample rate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.identifying import by_both, identified, numbered
from roomtune.capture.interface import Recording
from roomtune.capture.locating import find_sweep, in_doubt, place_sweeps
from roomtune.capture.measure import CapturedTake, take_from_recording
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import schedule, take_signals
from roomtune.errors import MeasurementError, RoomtuneError
from roomtune.signal.sound_file import read_sound

FORMAT = "roomtune playback plan"
VERSION = 1
FIRST_S = 2.0
PAUSE_S = 1.0
PAUSE_STEP_S = 0.2
PAUSE_PATTERN = 7
AROUND_S = 0.25
LARGEST_WAV = 4_000_000_000
LATEST_S = 86400.0

DOUBT = "its sweep cannot be told from equal ones that are missing too; record it again."

Encoding = Literal["24-bit", "float"]
SUBTYPES = {"24-bit": "PCM_24", "float": "FLOAT"}


@dataclass(frozen=True)
class PlannedTake:
    """A take in a playback file: it begins at `start_s`."""

    start_s: float
    request: TakeRequest

    def __post_init__(self) -> None:
        if not 0 <= self.start_s <= LATEST_S:
            raise ValueError(f"start_s is {self.start_s:g}, expected 0 to {LATEST_S:g}")


@dataclass(frozen=True)
class PlaybackPlan:
    """What a playback file holds, and when."""

    sample_rate_hz: float
    channels: int
    duration_s: float
    takes: tuple[PlannedTake, ...]
    format: Literal["roomtune playback plan"] = "roomtune playback plan"
    version: Literal[1] = 1

    def __post_init__(self) -> None:
        if not self.takes:
            raise ValueError("there are no takes in it")
        rates = {take.request.sweep.sample_rate_hz for take in self.takes}
        if rates != {self.sample_rate_hz} or not 8000 <= self.sample_rate_hz <= 768000:
            raise ValueError(f"sample_rate_hz is {self.sample_rate_hz:g}, its sweeps' {rates}")


@dataclass(frozen=True)
class ImportedTakes:
    """What was found in a recording: takes, requests not found, and why, in sentences."""

    captured: tuple[CapturedTake, ...]
    missing: tuple[TakeRequest, ...] = ()
    notes: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[CapturedTake]:
        return iter(self.captured)

    def __len__(self) -> int:
        return len(self.captured)


# Writing


def write_playback(
    path: str | Path, requests: Sequence[TakeRequest], encoding: Encoding = "24-bit"
) -> Path:
    """Write a WAV that plays all requests in turn, and return the path of its plan.

    Channel k of the file is interface output k. The plan lies beside it with the
    ending .json. Both appear whole or not at all. Raises RoomtuneError when the
    requests do not fit into one file or the files cannot be written.
    """
    import soundfile

    path = Path(path)
    plan = playback_plan(requests)
    try:
        _write_whole(path, lambda target: _write_wav(target, plan, encoding))
        plan_path = path.with_suffix(".json")
        _write_whole(plan_path, lambda target: target.write_text(plan_to_json(plan)))
    except (OSError, soundfile.LibsndfileError) as error:
        raise RoomtuneError(
            f"Cannot write {path} ({error}): is the folder there, writable, and the disk not full?"
        ) from error
    return plan_path


def playback_plan(requests: Sequence[TakeRequest]) -> PlaybackPlan:
    """Lay requests out one after another.

    The pauses differ (1.0, 1.2, 1.8, 1.4 s ...), so that equal sweeps cannot be
    taken for one another, and each take has its markers a little further apart than the
    one before. Raises RoomtuneError for requests that cannot share a file. Raises ValueError for
    requests at different sample rates.
    """
    requests = numbered(requests)
    if not requests:
        raise RoomtuneError("There is nothing to play: no take is wanted.")
    rates = {request.sweep.sample_rate_hz for request in requests}
    if len(rates) > 1:
        raise ValueError(f"requests at different sample rates: {sorted(rates)}")
    by_hand = [request.source for request in requests if request.by_hand]
    if by_hand and len(requests) > 1:
        raise RoomtuneError(
            f"{', '.join(by_hand)}: the amplifier is switched by hand for this, which a file "
            "cannot wait for; write each into a file of its own."
        )
    begin = FIRST_S
    takes = []
    for number, request in enumerate(requests):
        takes.append(PlannedTake(round(begin, 6), request))
        pause = PAUSE_S + PAUSE_STEP_S * (number * number % PAUSE_PATTERN)
        begin += schedule(request).total_s + pause
    channels = max(take_signals(request).shape[1] for request in requests)
    return PlaybackPlan(rates.pop(), channels, round(begin, 6), tuple(takes))


def _write_wav(target: Path, plan: PlaybackPlan, encoding: Encoding) -> None:
    import soundfile

    frames = round(plan.duration_s * plan.sample_rate_hz)
    large = frames * plan.channels * (3 if encoding == "24-bit" else 4) > LARGEST_WAV
    container = "RF64" if large else "WAVEX" if plan.channels > 2 else "WAV"
    with soundfile.SoundFile(
        target,
        "w",
        round(plan.sample_rate_hz),
        plan.channels,
        SUBTYPES[encoding],
        format=container,
    ) as file:
        for take in plan.takes:
            _write_silence(file, round(take.start_s * plan.sample_rate_hz) - file.frames)
            file.write(take_signals(take.request, plan.channels))
        _write_silence(file, frames - file.frames)


def _write_silence(file, frames: int) -> None:  # type: ignore[no-untyped-def]
    file.write(np.zeros((frames, file.channels)))


def _write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write under a temporary name, then rename."""
    temporary = path.with_name(f".{path.name}.part")
    try:
        write(temporary)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def plan_to_json(plan: PlaybackPlan) -> str:
    """Return the plan as JSON text."""
    from pydantic import TypeAdapter

    return TypeAdapter(PlaybackPlan).dump_json(plan, indent=1).decode()


def read_plan(path: str | Path) -> PlaybackPlan:
    """Read a plan that `write_playback` wrote.

    Raises RoomtuneError when it is missing or is not such a plan.
    """
    from pydantic import TypeAdapter, ValidationError

    try:
        text = Path(path).read_bytes()
    except OSError as error:
        raise RoomtuneError(f"Cannot read the playback plan {path}: {error.strerror}.") from error
    try:
        return TypeAdapter(PlaybackPlan).validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the file"
        raise RoomtuneError(
            f"{path} is not a playback plan: {where}: {first['msg']}. Use the .json that was "
            "written together with the WAV."
        ) from error


# Reading


def read_takes(recording_path: str | Path, plan: PlaybackPlan | str | Path) -> ImportedTakes:
    """Find the takes of a plan in a recording of its playback, and judge each.

    Any file that libsndfile reads, at any sample rate, begun at any time; the takes
    may lie in any order, with pauses and false starts between, and several times (the
    last whole one counts). Takes that are not there are reported, not invented. Raises
    RoomtuneError when the file cannot be read or has too few channels, MeasurementError
    when it holds none of the takes.
    """
    path = Path(recording_path)
    plan = plan if isinstance(plan, PlaybackPlan) else read_plan(plan)
    recording, recorded_at = _read_recording(path, plan)
    begins, doubts = _find(recording.samples, plan)
    captured, missing, notes = [], [], []
    for take, begin_s, doubt in zip(plan.takes, begins, doubts, strict=True):
        why = DOUBT if doubt else _why_not(take, begin_s, recording, plan, begins)
        if begin_s is None or why:
            missing.append(take.request)
            notes.append(f"{take.request.source} at {take.request.seat} is missing: {why}")
            continue
        stretch = _cut(recording, begin_s, take.request)
        judged = take_from_recording(stretch, take.request, recorded_at)
        captured.append(CapturedTake(judged, stretch, take.request))
    if not captured:
        raise MeasurementError(
            f"{path} holds none of the {len(plan.takes)} takes of the plan: {notes[0]} "
            "Is it the recording of this playback, and was the microphone on?"
        )
    return ImportedTakes(tuple(captured), tuple(missing), tuple(notes))


def _read_recording(path: Path, plan: PlaybackPlan) -> tuple[Recording, str]:
    """The recording's columns that the takes need, at the plan's rate, and its date."""
    if not path.is_file():
        raise RoomtuneError(f"There is no recording {path}.")
    samples, rate_hz = read_sound(path, "give a whole WAV, FLAC or AIFF file", "float32")
    samples = _wanted_columns(samples, plan, path)
    bad = np.flatnonzero(~np.all(np.isfinite(samples), axis=1))
    if bad.size:
        raise RoomtuneError(
            f"{path} holds {bad.size} samples that are not numbers, the first at "
            f"{bad[0] / rate_hz:.3f} s: it is damaged. Record again."
        )
    if not np.any(samples[:, 0]):
        raise MeasurementError(
            f"{path} holds nothing but digital silence on the microphone's channel. Was the "
            "microphone muted, or is the recording program not allowed to use it?"
        )
    date = datetime.fromtimestamp(path.stat().st_mtime, UTC).isoformat(timespec="seconds")
    return _at_rate(samples, rate_hz, plan.sample_rate_hz), date


def _at_rate(samples: NDArray[np.float32], rate_hz: float, wanted_hz: float) -> Recording:
    if rate_hz == wanted_hz:
        return Recording(samples.astype(np.float64), wanted_hz)
    import soxr

    resampled = soxr.resample(samples.astype(np.float64), rate_hz, wanted_hz, quality="VHQ")
    return Recording(resampled, wanted_hz, (f"resampled from {rate_hz:g} Hz",))


def _wanted_columns(
    samples: NDArray[np.float32], plan: PlaybackPlan, path: Path
) -> NDArray[np.float32]:
    """The channels of the file that stand for the takes' inputs.

    Those with the inputs' numbers; where the file has just as many channels as
    inputs are needed, in their order.
    """
    inputs = plan.takes[0].request.inputs
    channels = samples.shape[1]
    if len(samples) == 0:
        raise RoomtuneError(f"{path} is an empty recording.")
    if channels == len(inputs):
        return samples
    if channels >= max(inputs):
        return samples[:, [number - 1 for number in inputs]]
    needed = "the microphone" if len(inputs) == 1 else "the microphone and the loopback"
    raise RoomtuneError(
        f"{path} has {channels} channel{'s' if channels > 1 else ''}; the takes need {needed} "
        f"on channel {' and '.join(map(str, inputs))}. Record all of them into one file."
    )


def _find(
    columns: NDArray[np.float64], plan: PlaybackPlan
) -> tuple[tuple[float | None, ...], tuple[bool, ...]]:
    """When each take begins in the recording (s), None when it is not there; and doubts.

    By the spacing of its markers wherever it was played; those that cannot be told by
    that from the order in which they were to be played, if that was kept.
    """
    requests = [take.request for take in plan.takes]
    sweeps = [request.sweep for request in requests]
    found = {sweep: find_sweep(columns[:, 0], sweep) for sweep in set(sweeps)}
    leads_s = [schedule(request).sweep_s for request in requests]
    starts_s = [take.start_s + lead_s for take, lead_s in zip(plan.takes, leads_s, strict=True)]
    places = place_sweeps([found[sweep] for sweep in sweeps], starts_s)
    in_turn = tuple(
        None if place is None else place - lead_s
        for place, lead_s in zip(places, leads_s, strict=True)
    )
    known = identified(columns, requests, found)
    return by_both(known, in_turn, in_doubt(places, starts_s, sweeps))


def _why_not(
    take: PlannedTake,
    begin_s: float | None,
    recording: Recording,
    plan: PlaybackPlan,
    begins: Sequence[float | None],
) -> str:
    """Why a take cannot be used, as the rest of a sentence; "" when it can."""
    length_s = len(recording.samples) / recording.sample_rate_hz
    timing = schedule(take.request)
    shifts = [b - t.start_s for b, t in zip(begins, plan.takes, strict=True) if b is not None]
    if begin_s is None and not shifts:
        return "no sweep of the plan was found in the recording."
    expected_s = take.start_s + shifts[-1] if begin_s is None else begin_s
    needed_s = expected_s + timing.sweep_end_s + take.request.settings.tail_s
    if needed_s > length_s:
        return f"the recording ends at {length_s:.1f} s, this take at {needed_s:.1f} s."
    if begin_s is None:
        return f"no such sweep was heard about {expected_s + timing.sweep_s:.1f} s."
    if begin_s + timing.sweep_s < 0:
        return "the recording began after its sweep."
    return ""


def _cut(recording: Recording, begin_s: float, request: TakeRequest) -> Recording:
    """The stretch of one take with a little around it, zeros where there is nothing."""
    rate = recording.sample_rate_hz
    begin = round((begin_s - AROUND_S) * rate)
    end = round((begin_s + schedule(request).total_s + AROUND_S) * rate)
    inside = recording.samples[max(begin, 0) : end]
    before = max(-begin, 0)
    after = end - begin - before - len(inside)
    samples = np.pad(inside, ((before, after), (0, 0)))
    return Recording(samples, rate, recording.events)
