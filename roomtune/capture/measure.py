"""From a request to a judged take, over any audio interface."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.interface import AudioInterface, Recording
from roomtune.capture.noise import noise_density
from roomtune.capture.quality import Evidence, judge, unusable
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import Schedule, schedule, take_signals
from roomtune.capture.take import Take
from roomtune.capture.timing import Clock, MarkerTimes, find_markers, fit_clock, without_drift
from roomtune.errors import MeasurementError
from roomtune.signal.decibels import amplitude
from roomtune.signal.sweeps import Deconvolution, deconvolve
from roomtune.signal.values import ImpulseResponse

GRADES = ("good", "usable", "repeat")
MARGIN_S = 0.05
CLIPPING_STEP_DB = 6.0
START_S = -0.3


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
) -> tuple[CapturedTake, ...]:
    """Capture every request in turn and return the best take of each.

    A take graded "repeat" is made again, up to the settings' `maximum_attempts`,
    6 dB lower when the microphone's input clipped;
    `on_captured` receives every attempt as soon as it is there, `on_progress`
    is told the request and the attempt (from 1) before it sounds, and
    `before_by_hand` is called before the first attempt of a hand-switched one.
    """
    best: list[CapturedTake] = []
    for request in requests:
        if request.by_hand and before_by_hand is not None:
            before_by_hand(request)
        attempts: list[CapturedTake] = []
        for attempt in range(1, max(1, request.settings.maximum_attempts) + 1):
            if on_progress is not None:
                on_progress(request, attempt)
            attempts.append(capture_take(interface, request))
            request = _eased(request, attempts[-1].take)
            if on_captured is not None:
                on_captured(attempts[-1])
            if attempts[-1].take.verdict.grade != "repeat":
                break
        best.append(best_of(attempts))
    return tuple(best)


def _eased(request: TakeRequest, take: Take) -> TakeRequest:
    """The request for the next attempt: lower when the last one clipped."""
    clipped = any(finding.code == "clipping" for finding in take.verdict.findings)
    return replace(request, level_dbfs=request.level_dbfs - CLIPPING_STEP_DB) if clipped else request


def best_of(attempts: list[CapturedTake]) -> CapturedTake:
    """The attempt with the best grade and the fewest findings; the latest of equals."""
    return min(
        reversed(attempts),
        key=lambda item: (GRADES.index(item.take.verdict.grade), len(item.take.verdict.findings)),
    )


def take_from_recording(
    recording: Recording,
    request: TakeRequest,
    recorded_at: str | None = None,
    raw_file: str | None = None,
) -> Take:
    """Turn the recording of one request into a judged take.

    The recording's columns are the request's `inputs`. Its latency is unknown,
    its clock may drift. With a loopback, time zero is the instant at which the
    loopback heard the sweep begin; with an acoustic reference it is when the
    sweep would have begun had it come from where the markers came (the same for
    all takes at a seat); with none it is the strongest point of the response.
    """
    at = recorded_at or datetime.now(UTC).isoformat(timespec="seconds")
    recording = _at_rate(recording, request.sweep.sample_rate_hz)
    if recording.samples.shape[1] != len(request.inputs):
        raise MeasurementError(
            f"The recording of {request.source} at {request.seat} has "
            f"{recording.samples.shape[1]} inputs, expected {len(request.inputs)}."
        )
    hopeless = unusable(recording, request)
    if hopeless is not None:
        return _empty_take(request, hopeless, at, raw_file)
    microphone = np.array(recording.samples[:, 0])
    plan = schedule(request)
    found, clock = _read_clock(recording, request, plan)
    result = _recover(microphone, request, plan, clock)
    quiet = _quiet(microphone, request, plan, clock, result)
    evidence = Evidence(
        recording=recording,
        request=request,
        plan=plan,
        markers=found,
        clock=clock,
        response=result,
        noise=noise_density(quiet, recording.sample_rate_hz),
    )
    return Take(
        source=request.source,
        kind=request.kind,
        seat=request.seat,
        stimulus=request.sweep,
        level_dbfs=request.level_dbfs,
        impulse_response=result.linear,
        noise=evidence.noise,
        harmonics=result.harmonics,
        verdict=judge(evidence),
        reference=request.reference.kind if clock is not None else "none",
        clock_drift_ppm=clock.drift_ppm if clock is not None else 0.0,
        recorded_at=at,
        raw_file=raw_file,
    )


def _at_rate(recording: Recording, sample_rate_hz: float) -> Recording:
    """The recording at the rate of the sweep, resampled when its header says another."""
    if recording.sample_rate_hz == sample_rate_hz:
        return recording
    import soxr

    samples = soxr.resample(
        np.array(recording.samples), recording.sample_rate_hz, sample_rate_hz, quality="VHQ"
    )
    return Recording(samples, sample_rate_hz, recording.events)


def _read_clock(
    recording: Recording, request: TakeRequest, plan: Schedule
) -> tuple[MarkerTimes | None, Clock | None]:
    """Find the markers in the loopback, else at the microphone, and fit the clock."""
    marker = request.reference.marker
    if marker is None:
        return None, None
    heard = np.array(recording.samples[:, -1 if request.reference.kind == "loopback" else 0])
    found = find_markers(heard, recording.sample_rate_hz, marker, plan.markers_s)
    if found is None:
        return None, None
    return found, fit_clock(found, plan.markers_s, marker, recording.sample_rate_hz)


def _recover(
    microphone: NDArray[np.float64], request: TakeRequest, plan: Schedule, clock: Clock | None
) -> Deconvolution:
    """The responses per unit of digital full scale."""
    settings, rate = request.settings, request.sweep.sample_rate_hz
    if clock is None:
        segment, zero_s = microphone, None
    else:
        begin_s = clock.recorded_s(plan.sweep_s - MARGIN_S)
        end_s = clock.recorded_s(plan.sweep_end_s + settings.tail_s)
        begin = int(np.floor(begin_s * rate))
        stretch = _cut(microphone, begin, int(np.ceil(end_s * rate)))
        segment = without_drift(stretch, rate, clock.drift_ppm)
        zero_s = (clock.recorded_s(plan.sweep_s) - begin / rate) / (1 + clock.drift_ppm * 1e-6)
    result = deconvolve(segment, request.sweep, zero_s, START_S, settings.tail_s)
    gain = 1 / float(amplitude(request.level_dbfs))
    return replace(
        result,
        linear=_scaled(result.linear, gain),
        harmonics=tuple(_scaled(item, gain) for item in result.harmonics),
    )


def _cut(samples: NDArray[np.float64], begin: int, end: int) -> NDArray[np.float64]:
    """Samples begin to end, zeros where the recording does not reach."""
    inside = samples[max(begin, 0) : max(end, 0)]
    before = max(-begin, 0)
    after = (end - begin) - before - inside.size
    return np.pad(inside, (before, max(after, 0)))


def _scaled(response: ImpulseResponse, gain: float) -> ImpulseResponse:
    return replace(response, samples=response.samples * gain)


def _quiet(
    microphone: NDArray[np.float64],
    request: TakeRequest,
    plan: Schedule,
    clock: Clock | None,
    result: Deconvolution,
) -> NDArray[np.float64]:
    """The silence before anything sounds; leading digital zeros of the stream are left out."""
    rate = request.sweep.sample_rate_hz
    if clock is None:
        end_s = float(result.time_zero_s) - 0.2
    elif request.reference.kind == "loopback":
        end_s = clock.recorded_s(plan.sweep_s) - 0.02
    else:
        end_s = clock.recorded_s(plan.markers_s[0]) - 0.02
    end = int(end_s * rate)
    if end < rate * 0.1:
        end = int(rate * 0.1)
    quiet = microphone[:end]
    heard = np.flatnonzero(quiet)
    begin = int(heard[0]) if heard.size else 0
    return quiet[min(begin, max(end - int(0.1 * rate), 0)) :]


def _empty_take(request: TakeRequest, verdict, at: str, raw_file: str | None) -> Take:  # type: ignore[no-untyped-def]
    rate = request.sweep.sample_rate_hz
    count = round((request.settings.tail_s - START_S) * rate)
    silent = ImpulseResponse(np.zeros(count), rate, START_S)
    return Take(
        source=request.source,
        kind=request.kind,
        seat=request.seat,
        stimulus=request.sweep,
        level_dbfs=request.level_dbfs,
        impulse_response=silent,
        noise=noise_density(np.zeros(1024), rate),
        harmonics=(),
        verdict=verdict,
        reference="none",
        clock_drift_ppm=0.0,
        recorded_at=at,
        raw_file=raw_file,
    )
