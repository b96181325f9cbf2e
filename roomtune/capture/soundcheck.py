"""Before measuring: the noise of the room, and every output from inaudible to its level.

All results are values; nothing is printed here. Sounds are short sweeps in each
output's safe band; the level rises only as far as the last step allowed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.interface import AudioInterface
from roomtune.capture.mapping import misplaced, sounds_like
from roomtune.capture.measure import capture_take
from roomtune.capture.requests import CaptureSettings, TakeRequest, output_requests
from roomtune.capture.take import Finding, Take
from roomtune.system.model import DriverKind, Output, System

FIRST_BELOW_MAXIMUM_DB = 48.0
LARGEST_STEP_DB = 12.0
WANTED_PEAK_DBFS = -20.0
LOUDEST_PEAK_DBFS = -9.0
WANTED_SNR_DB = 35.0
DEAD_SNR_DB = 10.0
FAR_OFF_DB = 10.0
SOUND_SPEED_M_S = 343.0
LEAST_DETOUR_S = 0.6e-3
CHECK_SETTINGS = CaptureSettings(
    sweep_duration_s=0.8, lead_s=0.4, tail_s=0.4, end_s=0.3, marker_gap_s=0.3
)


@dataclass(frozen=True, eq=False)
class Step:
    """One step of the ramp: level played, peak at the microphone, median SNR, the take."""

    level_dbfs: float
    peak_dbfs: float
    snr_db: float
    take: Take


@dataclass(frozen=True, eq=False)
class OutputCheck:
    """What the ramp of one output showed.

    `level_dbfs`: the level that was enough. `sound`: "fine", "dead" or "quiet".
    `gain_db`: mean power of the response in its band. `arrival_s` and `sign`
    (+1, -1) of the strongest part of the response, 0 when it is dead; arrivals
    compare only when the take had a time reference.
    """

    output: str
    steps: tuple[Step, ...]
    level_dbfs: float
    sound: str
    gain_db: float
    arrival_s: float
    sign: int


def check_output(
    interface: AudioInterface,
    request: TakeRequest,
    on_step: Callable[[TakeRequest], None] | None = None,
    driver: DriverKind | None = None,
) -> OutputCheck:
    """Ramp one output up from 48 dB under its limit and judge what is heard.

    It stops at the limit of the request, at -20 dB peak re full scale at the
    microphone, or when the signal-to-noise ratio reaches 35 dB. A step is at most
    12 dB, and never more than would bring the microphone's peak to -9 dB. Where the
    `driver` is told, it also stops as soon as another kind is heard in its place.
    """
    limit_dbfs = request.level_dbfs
    level_dbfs = limit_dbfs - FIRST_BELOW_MAXIMUM_DB
    steps: list[Step] = []
    while True:
        quieter = at_level(request, level_dbfs)
        if on_step is not None:
            on_step(quieter)
        steps.append(_step(interface, quieter))
        rise_db = _rise(steps[-1], limit_dbfs)
        misfit = driver is not None and sounds_like(steps[-1].take, driver) is not None
        if rise_db <= 0 or misfit:
            return _summary(request.source, tuple(steps), limit_dbfs)
        level_dbfs += rise_db


def at_level(request: TakeRequest, level_dbfs: float) -> TakeRequest:
    """The request with sweep and markers no louder than a level."""
    reference = request.reference
    if reference.kind == "acoustic" and reference.marker is not None:
        quieter = min(reference.marker.level_dbfs, level_dbfs)
        reference = replace(reference, marker=replace(reference.marker, level_dbfs=quieter))
    reference = replace(reference, witness_level_dbfs=min(reference.witness_level_dbfs, level_dbfs))
    return replace(request, level_dbfs=level_dbfs, reference=reference)


def _step(interface: AudioInterface, request: TakeRequest) -> Step:
    captured = capture_take(interface, request)
    microphone = captured.recording.samples[:, 0]
    peak = float(np.max(np.abs(microphone), initial=0.0))
    take = captured.take
    return Step(request.level_dbfs, _db(peak), _snr_db(take), take)


def _db(amplitude: float) -> float:
    return 20 * float(np.log10(max(amplitude, 1e-10)))


def _snr_db(take: Take) -> float:
    """Median over the octaves; hopeless recordings have none."""
    return float(np.median([ratio for _, ratio in take.octave_snr_db] or [-np.inf]))


def _rise(step: Step, limit_dbfs: float) -> float:
    """How much louder the next step is; zero ends the ramp."""
    if step.peak_dbfs >= WANTED_PEAK_DBFS or step.snr_db >= WANTED_SNR_DB:
        return 0.0
    room_db = LOUDEST_PEAK_DBFS - step.peak_dbfs
    return min(LARGEST_STEP_DB, limit_dbfs - step.level_dbfs, room_db)


def _summary(output: str, steps: tuple[Step, ...], limit_dbfs: float) -> OutputCheck:
    last = steps[-1]
    sound = "fine"
    if last.snr_db < DEAD_SNR_DB:
        sound = "dead"
    elif last.level_dbfs >= limit_dbfs - 1e-9 and last.snr_db < WANTED_SNR_DB / 2:
        sound = "quiet"
    if sound == "dead":
        return OutputCheck(output, steps, last.level_dbfs, sound, -np.inf, 0.0, 0)
    arrival_s, sign = _strongest(last.take)
    return OutputCheck(output, steps, last.level_dbfs, sound, _gain_db(last.take), arrival_s, sign)


def _gain_db(take: Take) -> float:
    low, high = take.stimulus.valid_band_hz
    spectrum = take.impulse_response.response()
    inside = (spectrum.frequencies_hz >= low) & (spectrum.frequencies_hz <= high)
    return 10 * float(np.log10(np.mean(np.abs(spectrum.values[inside]) ** 2) + 1e-30))


def _strongest(take: Take) -> tuple[float, int]:
    """When the response is strongest, and which way it goes there."""
    samples = take.impulse_response.samples
    place = int(np.argmax(np.abs(samples)))
    return float(take.impulse_response.times_s[place]), int(np.sign(samples[place]))


def check_outputs(
    interface: AudioInterface,
    system: System,
    seat: str,
    on_step: Callable[[TakeRequest], None] | None = None,
    before_by_hand: Callable[[TakeRequest], None] | None = None,
) -> tuple[OutputCheck, ...]:
    """Ramp up every output of the system in turn, at one seat."""
    checks = []
    for request in output_requests(system, CHECK_SETTINGS, seat):
        if request.by_hand and before_by_hand is not None:
            before_by_hand(request)
        driver = system.output(request.source).driver
        checks.append(check_output(interface, request, on_step, driver))
    return tuple(checks)


def judge_outputs(
    checks: tuple[OutputCheck, ...], system: System, seat: str
) -> tuple[Finding, ...]:
    """Say which outputs are dead, too quiet, too loud, reversed, swapped or misplaced."""
    takes = [check.steps[-1].take for check in checks if check.sound != "dead"]
    return (
        *_silent(checks),
        *misplaced(takes, system),
        *_far_off(checks, system),
        *_reversed(checks, system),
        *_swapped(checks, system, seat),
    )


def _silent(checks: tuple[OutputCheck, ...]) -> tuple[Finding, ...]:
    dead = [check for check in checks if check.sound == "dead"]
    if checks and len(dead) == len(checks):
        text = (
            "No output was heard at all: the microphone is not listening, or the amplifier is off. "
            "Check the input, its gain, and the permission to use the microphone."
        )
        return (Finding("microphone", "repeat", text),)
    findings = []
    for check in checks:
        limit = f"its limit of {check.level_dbfs:.0f} dB"
        if check.sound == "dead":
            text = f"Output {check.output} is silent up to {limit}: check wiring and routing."
            findings.append(Finding("dead", "repeat", text))
        elif check.sound == "quiet":
            text = f"Output {check.output} is barely heard at {limit}: check its gain."
            findings.append(Finding("quiet", "usable", text))
    return tuple(findings)


def _far_off(checks: tuple[OutputCheck, ...], system: System) -> tuple[Finding, ...]:
    """Outputs more than 10 dB off the median of their kind of driver."""
    findings = []
    for check in checks:
        kind = system.output(check.output).driver
        same = [c.gain_db for c in checks if c.sign and system.output(c.output).driver == kind]
        if check.sound != "fine" or len(same) < 2:
            continue
        step_db = check.gain_db - float(np.median(same))
        if abs(step_db) > FAR_OFF_DB:
            way = "louder" if step_db > 0 else "quieter"
            text = (
                f"Output {check.output} is {abs(step_db):.0f} dB {way} "
                f"than {kind} outputs usually are here: check its gain and its driver."
            )
            findings.append(Finding("loud" if step_db > 0 else "quiet", "usable", text))
    return tuple(findings)


def _reversed(checks: tuple[OutputCheck, ...], system: System) -> tuple[Finding, ...]:
    """Outputs whose response goes the other way than most of the same kind of driver.

    Subwoofers are left out: in a room their strongest point tells no polarity.
    """
    findings = []
    kinds = {output.driver for output in system.outputs}
    for kind in sorted(kinds):
        if kind == "subwoofer":
            continue
        same = [c for c in checks if c.sign and system.output(c.output).driver == kind]
        total = sum(check.sign for check in same)
        if len(same) < 2 or abs(total) == len(same):
            continue
        if total:
            odd = " and ".join(c.output for c in same if c.sign * total < 0)
            text = f"Polarity: {odd} against the other {kind} outputs."
        else:
            text = f"Polarity: {' and '.join(c.output for c in same)} against each other."
        text += " Check plus and minus at the driver, or let the tuning invert it."
        findings.append(Finding("reversed", "usable", text))
    return tuple(findings)


def _swapped(checks: tuple[OutputCheck, ...], system: System, seat: str) -> tuple[Finding, ...]:
    """Pairs of like drivers that arrive as if they had changed places."""
    findings = []
    heard = [c for c in checks if c.sign and c.steps[-1].take.reference != "none"]
    for index, one in enumerate(heard):
        for two in heard[index + 1 :]:
            expected_s = _expected_lead(
                system.output(one.output), system.output(two.output), system, seat
            )
            if expected_s is None or abs(expected_s) < LEAST_DETOUR_S:
                continue
            measured_s = one.arrival_s - two.arrival_s
            if abs(measured_s + expected_s) < 0.4 * abs(measured_s - expected_s):
                text = (
                    f"{one.output} and {two.output} seem swapped: {one.output} arrives "
                    f"{1e3 * measured_s:+.1f} ms against the other, its place says "
                    f"{1e3 * expected_s:+.1f} ms."
                )
                findings.append(Finding("swapped", "usable", text))
    return tuple(findings)


def _expected_lead(one: Output, two: Output, system: System, seat: str) -> float | None:
    """Difference of the travel times from two like drivers to a seat, where known."""
    if one.driver != two.driver or one.driver == "subwoofer":
        return None
    places = [
        system.seat(seat).position_m,
        system.loudspeaker(one.loudspeaker).position_m,
        system.loudspeaker(two.loudspeaker).position_m,
    ]
    if any(place is None for place in places) or places[1] == places[2]:
        return None
    ear, first, second = (np.array(place, dtype=float) for place in places)
    distances: list[NDArray[np.float64]] = [np.linalg.norm(p - ear) for p in (first, second)]  # type: ignore[misc]
    return float((distances[0] - distances[1]) / SOUND_SPEED_M_S)
