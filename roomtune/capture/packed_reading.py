"""From the recording of packed sweeps to judged takes, each as if made alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.evidence import Evidence, Stretch
from roomtune.capture.expected_room import (
    DISTORTION_MARGIN_DB,
    OCTAVES_HZ,
    Room,
    octave_decays_s,
    strongest_distortion_db,
)
from roomtune.capture.interface import Recording
from roomtune.capture.measure import CapturedTake
from roomtune.capture.overlap import common_band_hz, readable_order
from roomtune.capture.packed_signals import Passage
from roomtune.capture.quality import grade_of, judge, unusable
from roomtune.capture.reading import (
    MARGIN_S,
    Timed,
    empty_take,
    finished_take,
    noise_before,
    prepared,
    recover,
    sweep_stretch,
    timed,
)
from roomtune.capture.take import Finding, Take, Verdict
from roomtune.capture.unmixing import Unmixed, Voice, unmix
from roomtune.signal.values import NoiseSpectrum

UNHEARD = Verdict(
    "repeat",
    (
        Finding(
            "no marker",
            "repeat",
            "The timing markers were not heard, so the overlapping sweeps cannot be told apart. "
            "Check the reference output and the level.",
        ),
    ),
)
MUCH_LONGER = 1.3
MUCH_STRONGER_DB = 6.0
ONLY_ALONE = ("decay longer than expected", "distortion of another output")


def takes_of_passage(
    recording: Recording, whole: Passage, recorded_at: str | None = None
) -> tuple[CapturedTake, ...]:
    """Turn the recording of a passage into judged takes, in the packing's order.

    Every take is what its output alone would have left behind: the recording less
    all that the other sweeps caused.
    """
    at = recorded_at or datetime.now(UTC).isoformat(timespec="seconds")
    ready = prepared(recording, whole.first)
    hopeless = unusable(ready, whole.first)
    if hopeless is not None:
        return _all_empty(recording, whole, hopeless, at)
    read = timed(ready, whole.first, whole.plan)
    if read.clock is None:
        return _all_empty(recording, whole, UNHEARD, at)
    takes = _checked(_takes(read, whole, at), whole.room)
    return tuple(
        CapturedTake(take, recording, request)
        for take, request in zip(takes, whole.requests, strict=True)
    )


def _all_empty(
    recording: Recording, whole: Passage, verdict: Verdict, at: str
) -> tuple[CapturedTake, ...]:
    return tuple(
        CapturedTake(empty_take(request, verdict, at), recording, request)
        for request in whole.requests
    )


def _takes(read: Timed, whole: Passage, at: str) -> list[Take]:
    """The takes, each judged as if it had been made alone."""
    microphone = np.array(read.recording.samples[:, 0])
    stretch = sweep_stretch(microphone, whole.first, whole.plan, read.clock)
    voices = [
        Voice(
            source=place.request.source,
            sweep=place.request.sweep,
            zero_s=stretch.zero_s + place.begin_s,
            orders=_orders(place.request.sweep.stop_hz / place.request.sweep.start_hz, whole.room),
        )
        for place in whole.packing.places
    ]
    noise = noise_before(microphone, whole.first, whole.plan, read.clock, stretch)
    unmixed = unmix(stretch.samples, voices, whole.room, noise)
    takes = []
    for number in range(len(voices)):
        evidence = _evidence(read, whole, stretch, unmixed, noise, number)
        takes.append(finished_take(evidence, judge(evidence), at))
    return takes


def _orders(ratio: float, room: Room) -> tuple[int, ...]:
    """The distortion orders that fall into a band of that ratio of frequencies."""
    return tuple(order for order in range(2, room.highest_order + 1) if order < ratio)


def _evidence(
    read: Timed,
    whole: Passage,
    stretch: Stretch,
    unmixed: Unmixed,
    noise: NoiseSpectrum,
    number: int,
) -> Evidence:
    """What is left of the recording for one output."""
    place, voice = whole.packing.places[number], unmixed.voices[number]
    request, rate = place.request, place.request.sweep.sample_rate_hz
    begin = int(np.floor((voice.zero_s - MARGIN_S) * rate))
    last_s = voice.zero_s + voice.sweep.true_duration_s + request.settings.tail_s
    own = Stretch(
        samples=unmixed.alone(number, begin, int(np.ceil(last_s * rate))),
        begin_s=stretch.begin_s + begin / rate,
        zero_s=voice.zero_s - begin / rate,
    )
    return Evidence(
        recording=read.recording,
        request=request,
        plan=replace(whole.plan, sweep_s=whole.plan.sweep_s + place.begin_s),
        clock=read.clock,
        heard=read.heard,
        stretch=own,
        response=recover(
            own, request, own.zero_s, readable_order(whole.packing, number, whole.room)
        ),
        noise=noise,
        mistaken_rate_hz=read.mistaken_rate_hz,
        others=tuple((v.sweep, v.zero_s - begin / rate) for v in unmixed.voices if v is not voice),
    )


def _checked(takes: Sequence[Take], room: Room) -> list[Take]:
    """The takes, with what contradicts the packing's assumptions added to their verdicts."""
    sound = [take for take in takes if take.verdict.grade != "repeat"]
    decays = np.array([octave_decays_s(take) for take in sound]).reshape(-1, OCTAVES_HZ.size)
    longest_s = np.max(np.nan_to_num(decays), axis=0, initial=0.0)
    bends = {take.source: _excess_db(take, room) for take in sound if take.harmonics}
    checked = []
    for take in takes:
        found = (*_livelier(take, longest_s, room), *_bent(take, sound, bends))
        findings = (*take.verdict.findings, *found)
        checked.append(replace(take, verdict=Verdict(grade_of(findings), findings)))
    return checked


def _excess_db(take: Take, room: Room) -> float:
    """How far the distortion of a take's output exceeds what the packing allows for."""
    found_db = strongest_distortion_db(take) - DISTORTION_MARGIN_DB
    return found_db - room.distortion_of_db(take.source)


def _livelier(take: Take, longest_s: NDArray[np.float64], room: Room) -> tuple[Finding, ...]:
    """Octaves of a take in which the room rings longer than the packing allows for."""
    low, high = take.stimulus.start_hz, take.stimulus.stop_hz
    expected = np.array([room.decay_above_s(float(c / np.sqrt(2))) for c in OCTAVES_HZ])
    excess = longest_s / expected * ((low < OCTAVES_HZ) & (high > OCTAVES_HZ))
    place = int(np.argmax(excess))
    if excess[place] <= MUCH_LONGER:
        return ()
    text = (
        f"The room rings for {longest_s[place]:.2f} s around {OCTAVES_HZ[place]:.3g} Hz, longer "
        f"than the {expected[place]:.2f} s that overlapping the sweeps allowed for: this output "
        f"has to be measured alone."
    )
    return (Finding(ONLY_ALONE[0], "repeat", text),)


def _bent(take: Take, others: Sequence[Take], bends: dict[str, float]) -> tuple[Finding, ...]:
    """Another output that distorts more than the packing allows for, in the take's band."""
    for other in others:
        low, high = common_band_hz(other.stimulus, take.stimulus, 2)
        excess_db = bends.get(other.source, 0.0)
        if other.source != take.source and low < high and excess_db > MUCH_STRONGER_DB:
            text = (
                f"{other.source} distorts {excess_db:.0f} dB more than overlapping the sweeps "
                f"allowed for: this output has to be measured alone."
            )
            return (Finding(ONLY_ALONE[1], "repeat", text),)
    return ()
