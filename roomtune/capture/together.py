"""Making the takes of many outputs in one passage, from packed sweeps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.interface import AudioInterface, Recording
from roomtune.capture.measure import CapturedTake, capture_many
from roomtune.capture.overlap import Packing, Place, Room, pack
from roomtune.capture.quality import judge_together, unusable
from roomtune.capture.reading import START_S, empty_take, finished_take, gather, prepared
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import Schedule, marker_parts, schedule
from roomtune.capture.take import Take
from roomtune.signal.decibels import amplitude
from roomtune.signal.sweeps import sweep_signal
from roomtune.signal.values import ImpulseResponse

WORTHWHILE = 2 / 3


@dataclass(frozen=True)
class Passage:
    """One passage of packed sweeps: the packing, the room it assumes, the schedule."""

    packing: Packing
    room: Room
    plan: Schedule

    @property
    def first(self) -> TakeRequest:
        """A request of the group; all share seat, reference and settings."""
        return self.packing.places[0].request


def passage(packing: Packing, room: Room) -> Passage:
    """Lay out markers and silence around packed sweeps, as for a single take."""
    request = packing.places[0].request
    single = schedule(request)
    rate = request.sweep.sample_rate_hz
    length_s = max(place.end_s for place in packing.places)
    later_s = round((length_s - (single.sweep_end_s - single.sweep_s)) * rate) / rate
    markers = single.markers_s[:2] + tuple(time + later_s for time in single.markers_s[2:])
    plan = replace(
        single,
        markers_s=markers,
        sweep_end_s=single.sweep_s + length_s,
        total_s=single.total_s + later_s,
    )
    return Passage(packing, room, plan)


def passage_signals(whole: Passage) -> NDArray[np.float64]:
    """Return what to play for one passage, shape (n, outputs), re digital full scale."""
    request, plan = whole.first, whole.plan
    rate = request.sweep.sample_rate_hz
    reference = request.reference
    used = [place.request.interface_output for place in whole.packing.places]
    used += [reference.interface_output or 1, reference.witness_output or 1]
    signals = np.zeros((round(plan.total_s * rate), max(used)))
    for place in whole.packing.places:
        begin = round((plan.sweep_s + place.begin_s) * rate)
        sound = sweep_signal(place.request.sweep) * amplitude(place.request.level_dbfs)
        signals[begin : begin + sound.size, place.request.interface_output - 1] += sound
    for interface_output, sound, level_dbfs, instants_s in marker_parts(request, plan):
        scaled = sound * amplitude(level_dbfs)
        for instant_s in instants_s:
            begin = round(instant_s * rate)
            signals[begin : begin + scaled.size, interface_output - 1] += scaled
    return signals


def capture_together(
    interface: AudioInterface, packing: Packing, room: Room
) -> tuple[CapturedTake, ...]:
    """Play a packing in one passage and return its takes, in the packing's order.

    All takes share the one recording. They carry no distortion orders, and single
    disturbances are not looked for: who needs those measures one by one. Raises
    MeasurementError when the interface fails.
    """
    whole = passage(packing, room)
    recording = interface.play_and_record(passage_signals(whole), whole.first.inputs)
    return takes_of_passage(recording, whole)


def capture_fast(
    interface: AudioInterface,
    requests: Sequence[TakeRequest],
    room: Room,
    on_captured: Callable[[CapturedTake], None] | None = None,
    on_progress: Callable[[TakeRequest, int], None] | None = None,
    before_by_hand: Callable[[TakeRequest], None] | None = None,
) -> tuple[CapturedTake, ...]:
    """Capture requests together where that is safe, one by one where it is not.

    Safe means: not switched by hand, with a time reference shared by the others.
    What comes back to be repeated from the passage is made again alone, as is
    everything when packing would save less than a third of the time. The takes
    come in the order of the requests; the callbacks are those of `capture_many`.
    Not the default: where a weak driver shares its band with much stronger ones
    (tweeters of the demo beside its woofers) responses were up to 0.8 dB rms off.
    """
    together = _packable(requests)
    made: dict[str, CapturedTake] = {}
    if len(together) > 1:
        packing = pack(together, room)
        if packing.packed_s <= WORTHWHILE * packing.sequential_s:
            if on_progress is not None:
                on_progress(together[0], 1)
            for captured in capture_together(interface, packing, room):
                if on_captured is not None:
                    on_captured(captured)
                if captured.take.verdict.grade != "repeat":
                    made[captured.request.source] = captured
    rest = [request for request in requests if request.source not in made]
    for captured in capture_many(interface, rest, on_captured, on_progress, before_by_hand):
        made[captured.request.source] = captured
    return tuple(made[request.source] for request in requests)


def _packable(requests: Sequence[TakeRequest]) -> list[TakeRequest]:
    """The requests that share the most common reference and need no hand."""
    free = [r for r in requests if not r.by_hand and r.reference.kind != "none"]
    if not free:
        return []
    references = [r.reference for r in free]
    common = max(references, key=references.count)
    seat = free[0].seat
    return [r for r in free if r.reference == common and r.seat == seat]


def takes_of_passage(
    recording: Recording, whole: Passage, recorded_at: str | None = None
) -> tuple[CapturedTake, ...]:
    """Turn the recording of a passage into judged takes, in the packing's order."""
    at = recorded_at or datetime.now(UTC).isoformat(timespec="seconds")
    ready = prepared(recording, whole.first)
    return tuple(
        CapturedTake(_take(ready, whole, place, at), recording, place.request)
        for place in whole.packing.places
    )


def _take(recording: Recording, whole: Passage, place: Place, at: str) -> Take:
    """One output's take: its own sweep begins later, and its response is cut where others begin."""
    request = place.request
    hopeless = unusable(recording, request)
    if hopeless is not None:
        return empty_take(request, hopeless, at)
    tail_s = min(whole.room.length_s(1), request.settings.tail_s)
    plan = replace(whole.plan, sweep_s=whole.plan.sweep_s + place.begin_s)
    kept = replace(request, settings=replace(request.settings, tail_s=tail_s))
    evidence = gather(recording, kept, plan, whole.plan.sweep_s, among_others=True)
    linear = _lengthened(evidence.response.linear, request)
    evidence = replace(evidence, response=replace(evidence.response, linear=linear))
    return finished_take(replace(evidence, request=request), judge_together(evidence), at)


def _lengthened(response: ImpulseResponse, request: TakeRequest) -> ImpulseResponse:
    """The response on the time axis that all takes share, zero after its cut."""
    rate = response.sample_rate_hz
    count = round(request.settings.tail_s * rate) - round(START_S * rate)
    samples = response.samples[:count]
    return replace(response, samples=np.pad(samples, (0, count - samples.size)))
