"""From a recording to a judged take."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.evidence import Evidence, Stretch
from roomtune.capture.interface import Recording
from roomtune.capture.noise import noise_density
from roomtune.capture.quality import judge, unusable
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import Schedule, schedule
from roomtune.capture.take import Fingerprint, Take, Verdict
from roomtune.capture.timing import (
    Clock,
    MarkerTimes,
    find_markers,
    fit_clock,
    true_rate_hz,
    without_drift,
)
from roomtune.errors import MeasurementError
from roomtune.signal.decibels import amplitude
from roomtune.signal.sweeps import (
    BELOW_BAND,
    HIGHEST_ORDER,
    Deconvolution,
    deconvolve,
    steepest_edge,
)
from roomtune.signal.values import ImpulseResponse

MARGIN_S = 0.05
START_S = -0.3


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
    recording = prepared(recording, request)
    hopeless = unusable(recording, request)
    if hopeless is not None:
        return empty_take(request, hopeless, at, raw_file)
    evidence = gather(recording, request, schedule(request))
    return finished_take(evidence, judge(evidence), at, raw_file)


def finished_take(
    evidence: Evidence, verdict: Verdict, recorded_at: str, raw_file: str | None = None
) -> Take:
    """The take that the evidence amounts to, with a verdict on it."""
    request, clock = evidence.request, evidence.clock
    return Take(
        source=request.source,
        kind=request.kind,
        seat=request.seat,
        stimulus=request.sweep,
        level_dbfs=request.level_dbfs,
        impulse_response=evidence.response.linear,
        noise=evidence.noise,
        harmonics=evidence.response.harmonics,
        verdict=verdict,
        reference=request.reference.kind if clock is not None else "none",
        clock_drift_ppm=clock.drift_ppm if clock is not None else 0.0,
        recorded_at=recorded_at,
        raw_file=raw_file,
        fingerprint=_fingerprint(evidence),
        octave_snr_db=tuple(zip(*map(np.ndarray.tolist, evidence.octave_snr_db), strict=True)),
    )


def _fingerprint(evidence: Evidence) -> Fingerprint | None:
    heard, reference = evidence.heard, evidence.request.reference
    if heard is None or reference.marker is None:
        return None
    level_dbfs = reference.marker.level_dbfs
    if reference.kind == "loopback":
        level_dbfs = reference.witness_level_dbfs
    return Fingerprint(heard.patterns.mean(axis=0), float(heard.levels_db.mean()) - level_dbfs)


def prepared(recording: Recording, request: TakeRequest) -> Recording:
    """The recording at the rate of the sweep; MeasurementError when an input is missing."""
    if recording.samples.shape[1] != len(request.inputs):
        raise MeasurementError(
            f"The recording of {request.source} at {request.seat} has "
            f"{recording.samples.shape[1]} inputs, expected {len(request.inputs)}."
        )
    return _at_rate(recording, request.sweep.sample_rate_hz)


def _at_rate(recording: Recording, sample_rate_hz: float) -> Recording:
    """The recording at the rate of the sweep, resampled when its header says another."""
    if recording.sample_rate_hz == sample_rate_hz:
        return recording
    import soxr

    samples = soxr.resample(
        np.array(recording.samples), recording.sample_rate_hz, sample_rate_hz, quality="VHQ"
    )
    return Recording(samples, sample_rate_hz, recording.events)


def gather(
    recording: Recording,
    request: TakeRequest,
    plan: Schedule | None = None,
    begin_s: float | None = None,
    among_others: bool = False,
) -> Evidence:
    """Find markers, clock, responses and noise in the recording of one request.

    `plan`: when the request's sounds were played, where that is not its own
    schedule; `begin_s`: when the first of several sweeps began. `among_others`:
    other sweeps sound meanwhile, so no distortion orders are taken and the least
    is let in from under the band.

    A recording that holds the markers only at another sample rate than it states
    is resampled first.
    """
    plan = plan or schedule(request)
    heard, clock = _read_clock(recording, request, plan)
    mistaken_rate_hz = _mistaken_rate_hz(recording, request, plan) if clock is None else None
    if mistaken_rate_hz is not None:
        truly = Recording(recording.samples, mistaken_rate_hz, recording.events)
        recording = _at_rate(truly, request.sweep.sample_rate_hz)
        heard, clock = _read_clock(recording, request, plan)
    microphone = np.array(recording.samples[:, 0])
    first_s = plan.sweep_s if begin_s is None else begin_s
    stretch = _sweep_stretch(microphone, request, plan, clock, first_s)
    zero_s = None if clock is None else stretch.zero_s
    response = _recover(stretch, request, zero_s, among_others)
    if clock is None:
        stretch = replace(stretch, zero_s=float(response.time_zero_s))
    quiet = _quiet(microphone, request, replace(plan, sweep_s=first_s), clock, stretch)
    return Evidence(
        recording=recording,
        request=request,
        plan=plan,
        clock=clock,
        heard=heard,
        stretch=stretch,
        response=response,
        noise=noise_density(quiet, recording.sample_rate_hz),
        mistaken_rate_hz=mistaken_rate_hz,
    )


def _mistaken_rate_hz(recording: Recording, request: TakeRequest, plan: Schedule) -> float | None:
    reference = request.reference
    if reference.marker is None:
        return None
    column = -1 if reference.kind == "loopback" else 0
    samples = recording.samples[:, column]
    return true_rate_hz(samples, recording.sample_rate_hz, reference.marker, plan.markers_s)


def _read_clock(
    recording: Recording, request: TakeRequest, plan: Schedule
) -> tuple[MarkerTimes | None, Clock | None]:
    """The markers at the microphone, and the clock from the loopback or else from them."""
    reference, rate = request.reference, recording.sample_rate_hz
    if reference.marker is None:
        return None, None
    columns = recording.samples.T
    heard = looped = None
    if reference.heard:
        heard = find_markers(columns[0], rate, reference.marker, plan.markers_s)
    if reference.kind == "loopback":
        looped = find_markers(columns[-1], rate, reference.marker, plan.markers_s)
    timing = looped if reference.kind == "loopback" else heard
    if timing is None:
        return heard, None
    return heard, fit_clock(timing, plan.markers_s, reference.marker, rate)


def _sweep_stretch(
    microphone: NDArray[np.float64],
    request: TakeRequest,
    plan: Schedule,
    clock: Clock | None,
    first_s: float,
) -> Stretch:
    """Cut out the sweep with its tail and take the drift away; all of it without a clock."""
    if clock is None:
        return Stretch(microphone, 0.0, 0.0)
    rate = request.sweep.sample_rate_hz
    begin = int(np.floor(clock.recorded_s(first_s - MARGIN_S) * rate))
    end = int(np.ceil(clock.recorded_s(plan.sweep_end_s + request.settings.tail_s) * rate))
    samples = without_drift(_cut(microphone, begin, end), rate, clock.drift_ppm)
    into_s = clock.recorded_s(plan.sweep_s) - begin / rate
    return Stretch(samples, begin / rate, into_s / (1 + clock.drift_ppm * 1e-6))


def _recover(
    stretch: Stretch, request: TakeRequest, zero_s: float | None, among_others: bool
) -> Deconvolution:
    """The responses per unit of digital full scale."""
    result = deconvolve(
        stretch.samples,
        request.sweep,
        zero_s,
        START_S,
        request.settings.tail_s,
        highest_order=1 if among_others else HIGHEST_ORDER,
        below=steepest_edge(request.sweep) if among_others else BELOW_BAND,
    )
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
    stretch: Stretch,
) -> NDArray[np.float64]:
    """The silence before anything sounds; leading digital zeros of the stream are left out."""
    rate = request.sweep.sample_rate_hz
    if clock is None:
        end_s = stretch.zero_s - 0.2
    elif request.reference.heard:
        end_s = clock.recorded_s(plan.markers_s[0]) - 0.02
    else:
        end_s = clock.recorded_s(plan.sweep_s) - 0.02
    end = int(end_s * rate)
    if end < rate * 0.1:
        end = int(rate * 0.1)
    quiet = microphone[:end]
    heard = np.flatnonzero(quiet)
    begin = int(heard[0]) if heard.size else 0
    return quiet[min(begin, max(end - int(0.1 * rate), 0)) :]


def empty_take(
    request: TakeRequest, verdict: Verdict, recorded_at: str, raw_file: str | None = None
) -> Take:
    """A take without a response, for a recording that holds nothing to analyse."""
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
        recorded_at=recorded_at,
        raw_file=raw_file,
    )
