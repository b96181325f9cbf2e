"""From a recording to a judged take."""

from __future__ import annotations

from dataclasses import dataclass, replace
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
    pattern_step_s,
    true_rate_hz,
    without_drift,
)
from roomtune.errors import MeasurementError
from roomtune.signal.decibels import amplitude
from roomtune.signal.deconvolution import Deconvolution, deconvolve
from roomtune.signal.sweeps import KEPT_ORDER
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum

MARGIN_S = 0.05
LARGEST_DRIFT_PPM = 20000.0
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
    evidence = gather(recording, request)
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
    marker = reference.marker
    level_dbfs = marker.level_dbfs
    if reference.kind == "loopback":
        level_dbfs = reference.witness_level_dbfs
    return Fingerprint(
        heard.patterns.mean(axis=0),
        float(heard.levels_db.mean()) - level_dbfs,
        step_s=pattern_step_s(marker),
    )


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
    return Recording(samples, sample_rate_hz, recording.events, recording.flagged_s)


@dataclass(frozen=True, eq=False)
class Timed:
    """A recording whose markers were read; fields as in `Evidence`."""

    recording: Recording
    heard: MarkerTimes | None
    clock: Clock | None
    mistaken_rate_hz: float | None = None


def timed(recording: Recording, request: TakeRequest, plan: Schedule) -> Timed:
    """Read the markers of a recording.

    One that holds them only at another sample rate than it states is resampled first.
    """
    heard, clock = _read_clock(recording, request, plan)
    mistaken_rate_hz = _mistaken_rate_hz(recording, request, plan) if clock is None else None
    if mistaken_rate_hz is not None:
        truly = replace(recording, sample_rate_hz=mistaken_rate_hz)
        recording = _at_rate(truly, request.sweep.sample_rate_hz)
        heard, clock = _read_clock(recording, request, plan)
    return Timed(recording, heard, clock, mistaken_rate_hz)


def gather(recording: Recording, request: TakeRequest) -> Evidence:
    """Find markers, clock, responses and noise in the recording of one request."""
    plan = schedule(request)
    read = timed(recording, request, plan)
    clock, microphone = read.clock, np.array(read.recording.samples[:, 0])
    stretch = sweep_stretch(microphone, request, plan, clock)
    response = recover(stretch, request, None if clock is None else stretch.zero_s)
    if clock is None:
        stretch = replace(stretch, zero_s=float(response.time_zero_s))
    return Evidence(
        recording=read.recording,
        request=request,
        plan=plan,
        clock=clock,
        heard=read.heard,
        stretch=stretch,
        response=response,
        noise=noise_before(microphone, request, plan, clock, stretch),
        mistaken_rate_hz=read.mistaken_rate_hz,
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
    clock = fit_clock(timing, plan.markers_s, reference.marker, rate)
    return heard, clock if abs(clock.drift_ppm) <= LARGEST_DRIFT_PPM else None


def sweep_stretch(
    microphone: NDArray[np.float64], request: TakeRequest, plan: Schedule, clock: Clock | None
) -> Stretch:
    """Cut out all sweeps with their tail and take the drift away; everything without a clock."""
    if clock is None:
        return Stretch(microphone, 0.0, 0.0)
    rate = request.sweep.sample_rate_hz
    begin = int(np.floor(clock.recorded_s(plan.sweep_s - MARGIN_S) * rate))
    end = int(np.ceil(clock.recorded_s(plan.sweep_end_s + request.settings.tail_s) * rate))
    samples = without_drift(_cut(microphone, begin, end), rate, clock.drift_ppm)
    into_s = clock.recorded_s(plan.sweep_s) - begin / rate
    return Stretch(samples, begin / rate, into_s / (1 + clock.drift_ppm * 1e-6))


def recover(
    stretch: Stretch,
    request: TakeRequest,
    zero_s: float | None,
    highest_order: int = KEPT_ORDER,
) -> Deconvolution:
    """The responses per unit of digital full scale."""
    result = deconvolve(
        stretch.samples,
        request.sweep,
        zero_s,
        START_S,
        request.settings.tail_s,
        highest_order=highest_order,
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


def noise_before(
    microphone: NDArray[np.float64],
    request: TakeRequest,
    plan: Schedule,
    clock: Clock | None,
    stretch: Stretch,
) -> NoiseSpectrum:
    """The noise before anything sounds; leading digital zeros of the stream are left out."""
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
    return noise_density(quiet[min(begin, max(end - int(0.1 * rate), 0)) :], rate)


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
