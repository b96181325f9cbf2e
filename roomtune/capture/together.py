"""Making the takes of one seat in the least time: together where that is safe, else alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from roomtune.capture.consistency import checked_against
from roomtune.capture.expected_room import CAUTIOUS_ROOM, Room
from roomtune.capture.interface import AudioInterface
from roomtune.capture.measure import CapturedTake, best_of, capture_many, combined, eased
from roomtune.capture.overlap import pack
from roomtune.capture.packed_reading import ONLY_ALONE, takes_of_passage
from roomtune.capture.packed_signals import Passage, passage, passage_signals
from roomtune.capture.quality import worth_repeating
from roomtune.capture.requests import CaptureSettings, TakeRequest
from roomtune.capture.stimulus import schedule
from roomtune.capture.take import Take
from roomtune.errors import MeasurementError

WORTHWHILE = 0.8
OnCaptured = Callable[[CapturedTake], None]
OnProgress = Callable[[TakeRequest, int], None]


@dataclass(frozen=True)
class SeatPlan:
    """How the takes of one seat will be made.

    `together`: those of one passage, if any; `alone`: the others, one after the
    other; `reasons`: sentences why. Times in seconds: as planned, and if all were
    made one by one.
    """

    together: Passage | None
    alone: tuple[TakeRequest, ...]
    reasons: tuple[str, ...]
    time_s: float
    one_by_one_s: float


def quick_settings() -> CaptureSettings:
    """Short sweeps and silences, for a check of what was measured well before."""
    return CaptureSettings(sweep_duration_s=1.0, lead_s=0.4, end_s=0.2, marker_gap_s=0.3)


def plan_seat(requests: Sequence[TakeRequest], room: Room = CAUTIOUS_ROOM) -> SeatPlan:
    """Plan the takes of one seat, packed where that is safe and saves a fifth of the time.

    Safe are outputs that no hand has to switch and that share the time reference.
    Raises ValueError for requests of several seats.
    """
    if len({request.seat for request in requests}) > 1:
        raise ValueError("one plan is for one seat")
    single_s = {request: schedule(request).total_s for request in requests}
    whole_s = sum(single_s.values())
    able = _packable(requests)
    if len(able) > 1:
        whole = passage(pack(able, room), room)
        if whole.plan.total_s <= WORTHWHILE * sum(single_s[request] for request in able):
            alone = tuple(request for request in requests if request not in able)
            time_s = whole.plan.total_s + sum(single_s[request] for request in alone)
            return SeatPlan(whole, alone, _reasons(alone), time_s, whole_s)
    return SeatPlan(None, tuple(requests), _reasons(requests), whole_s, whole_s)


def _packable(requests: Sequence[TakeRequest]) -> list[TakeRequest]:
    """The requests that share the most common reference and settings and need no hand."""
    free = [r for r in requests if not r.by_hand and r.reference.kind != "none"]
    shared = [(r.reference, r.settings, r.sweep.sample_rate_hz) for r in free]
    common = max(shared, key=shared.count, default=None)
    return [r for r, theirs in zip(free, shared, strict=True) if theirs == common]


def _reasons(alone: Sequence[TakeRequest]) -> tuple[str, ...]:
    by_hand = [r.source for r in alone if r.by_hand]
    timeless = [r.source for r in alone if not r.by_hand and r.reference.kind == "none"]
    told = []
    if by_hand:
        told.append(f"One by one, because they are switched by hand: {', '.join(by_hand)}.")
    if timeless:
        told.append(f"One by one, because they have no time reference: {', '.join(timeless)}.")
    return tuple(told)


def capture_seat(
    interface: AudioInterface,
    requests: Sequence[TakeRequest],
    room: Room = CAUTIOUS_ROOM,
    on_captured: OnCaptured | None = None,
    on_progress: OnProgress | None = None,
    before_by_hand: Callable[[TakeRequest], None] | None = None,
) -> tuple[CapturedTake, ...]:
    """Capture the requests of one seat, together where `plan_seat` finds that good.

    Every take is judged as one made alone. Only what comes back to be repeated is
    made again: together where that still saves time, alone where another output's
    decay or distortion reached into it, and the last time. The takes come in the
    order of the requests; the callbacks are those of `capture_many`. Raises
    MeasurementError as `capture_take` does.
    """
    able = {request.source for request in _packable(requests)}
    fit = [request for request in requests if request.source in able]
    repeats = max([1, *(request.settings.repeats for request in requests)])
    rounds = [_together(interface, fit, room, on_captured, on_progress) for _ in range(repeats)]
    made = {
        request.source: combined([found[request.source] for found in rounds])
        for request in fit
        if all(request.source in found for found in rounds)
    }
    earlier = [item.take for item in made.values()]
    rest = [r for r in requests if r.source not in made or _poor(made[r.source])]
    for item in capture_many(interface, rest, on_captured, on_progress, before_by_hand, earlier):
        source = item.request.source
        made[source] = best_of([made[source], item] if source in made else [item])
    return tuple(made[request.source] for request in requests)


def _together(
    interface: AudioInterface,
    requests: Sequence[TakeRequest],
    room: Room,
    on_captured: OnCaptured | None,
    on_progress: OnProgress | None,
) -> dict[str, CapturedTake]:
    """The best of what passages gave, without what has to be made alone."""
    made: dict[str, CapturedTake] = {}
    todo = list(requests)
    for attempt in range(1, max([1, *(r.settings.maximum_attempts for r in requests)])):
        plan = plan_seat(todo, room)
        if plan.together is None:
            break
        if on_progress is not None:
            for request in plan.together.requests:
                on_progress(request, attempt)
        todo = []
        for item in capture_passage(interface, plan.together):
            others = [other.take for name, other in made.items() if name != item.request.source]
            checked = replace(item, take=checked_against(item.take, others))
            if on_captured is not None:
                on_captured(checked)
            if checked.take.verdict.grade != "repeat":
                before = made.get(item.request.source, checked)
                made[item.request.source] = best_of([before, checked])
            if _poor(checked) and not _only_alone(checked.take):
                todo.append(_again(checked, requests))
    return made


def _poor(item: CapturedTake) -> bool:
    return worth_repeating(item.take.verdict)


def _only_alone(take: Take) -> bool:
    return any(finding.code in ONLY_ALONE for finding in take.verdict.findings)


def _again(item: CapturedTake, requests: Sequence[TakeRequest]) -> TakeRequest:
    """The request as it was made, for another attempt, lower if the last one clipped."""
    original = next(r for r in requests if r.source == item.request.source)
    return eased(replace(item.request, sweep=original.sweep), item.take)


def capture_passage(interface: AudioInterface, whole: Passage) -> tuple[CapturedTake, ...]:
    """Play one passage, record it and judge what came back, in the packing's order.

    All takes share the one recording. Raises MeasurementError when the interface
    fails or runs at another rate than the requests were made for.
    """
    if round(interface.sample_rate_hz) != round(whole.first.sweep.sample_rate_hz):
        raise MeasurementError(
            f"The audio interface runs at {interface.sample_rate_hz:g} Hz, the system asks for "
            f"{whole.first.sweep.sample_rate_hz:g} Hz. Set audio.sample_rate_hz to the interface's."
        )
    recording = interface.play_and_record(passage_signals(whole), whole.first.inputs)
    return takes_of_passage(recording, whole)
