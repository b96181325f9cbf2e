"""Making takes over any audio interface, and making bad ones again."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from roomtune.capture.averaging import averaged
from roomtune.capture.consistency import checked_against
from roomtune.capture.interface import AudioInterface, Recording
from roomtune.capture.quality import worth_repeating
from roomtune.capture.reading import take_from_recording
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import take_signals
from roomtune.capture.take import Take
from roomtune.errors import MeasurementError

__all__ = ["CapturedTake", "best_of", "capture_many", "capture_take", "take_from_recording"]

GRADES = ("good", "usable", "repeat")
CLIPPING_STEP_DB = 6.0


@dataclass(frozen=True, eq=False)
class CapturedTake:
    """A take with the raw recording that it came from and the request behind it."""

    take: Take
    recording: Recording
    request: TakeRequest


def capture_take(interface: AudioInterface, request: TakeRequest) -> CapturedTake:
    """Play one request, record it and judge what came back.

    Raises MeasurementError when the interface fails or runs at another rate
    than the request was made for.
    """
    if round(interface.sample_rate_hz) != round(request.sweep.sample_rate_hz):
        raise MeasurementError(
            f"The audio interface runs at {interface.sample_rate_hz:g} Hz, the system asks for "
            f"{request.sweep.sample_rate_hz:g} Hz. Set audio.sample_rate_hz to the interface's."
        )
    recording = interface.play_and_record(take_signals(request), request.inputs)
    return CapturedTake(take_from_recording(recording, request), recording, request)


def capture_many(
    interface: AudioInterface,
    requests: Iterable[TakeRequest],
    on_captured: Callable[[CapturedTake], None] | None = None,
    on_progress: Callable[[TakeRequest, int], None] | None = None,
    before_by_hand: Callable[[TakeRequest], None] | None = None,
    earlier: Sequence[Take] = (),
) -> tuple[CapturedTake, ...]:
    """Capture every request in turn and return the best take of each, or the mean.

    With `repeats` above 1 in its settings a request is made so often and averaged.
    Every take is also compared with those made before it at its seat, `earlier` too.
    A take graded "repeat", or disturbed by what passes, is made again, up to the
    settings' `maximum_attempts`, 6 dB lower when the microphone's input clipped;
    `on_captured` receives every attempt as soon as it is there, `on_progress`
    is told the request and the attempt (from 1) before it sounds, and
    `before_by_hand` is called before the first attempt of a hand-switched one.
    """
    best: list[CapturedTake] = []
    for request in requests:
        if request.by_hand and before_by_hand is not None:
            before_by_hand(request)
        before = [*earlier, *(item.take for item in best)]
        repeats: list[CapturedTake] = []
        for _ in range(max(1, request.settings.repeats)):
            attempts = _attempts(interface, request, before, on_captured, on_progress)
            repeats.append(best_of(attempts))
            request = repeats[-1].request
        best.append(combined(repeats))
    return tuple(best)


def _attempts(
    interface: AudioInterface,
    request: TakeRequest,
    earlier: list[Take],
    on_captured: Callable[[CapturedTake], None] | None,
    on_progress: Callable[[TakeRequest, int], None] | None,
) -> list[CapturedTake]:
    """Take after take until another would not be better, at most as many as the settings allow."""
    attempts: list[CapturedTake] = []
    for attempt in range(1, max(1, request.settings.maximum_attempts) + 1):
        if on_progress is not None:
            on_progress(request, attempt)
        captured = capture_take(interface, request)
        attempts.append(replace(captured, take=checked_against(captured.take, earlier)))
        if on_captured is not None:
            on_captured(attempts[-1])
        if not worth_repeating(attempts[-1].take.verdict):
            break
        request = eased(request, attempts[-1].take)
    return attempts


def combined(repeats: list[CapturedTake]) -> CapturedTake:
    """The average of repeats at the last one's level, with the recording of the best."""
    best = best_of(repeats)
    if len(repeats) == 1:
        return best
    alike = [r.take for r in repeats if r.take.level_dbfs == best.take.level_dbfs]
    return replace(best, take=averaged(alike))


def eased(request: TakeRequest, take: Take) -> TakeRequest:
    """The request for the next attempt: everything lower when the last one clipped."""
    if all(finding.code != "clipping" for finding in take.verdict.findings):
        return request
    reference = request.reference
    if reference.marker is not None and reference.kind == "acoustic":
        quieter = reference.marker.level_dbfs - CLIPPING_STEP_DB
        reference = replace(reference, marker=replace(reference.marker, level_dbfs=quieter))
    reference = replace(
        reference, witness_level_dbfs=reference.witness_level_dbfs - CLIPPING_STEP_DB
    )
    return replace(request, level_dbfs=request.level_dbfs - CLIPPING_STEP_DB, reference=reference)


def best_of(attempts: list[CapturedTake]) -> CapturedTake:
    """The attempt with the best grade and the fewest findings; the latest of equals."""
    return min(
        reversed(attempts),
        key=lambda item: (GRADES.index(item.take.verdict.grade), len(item.take.verdict.findings)),
    )
