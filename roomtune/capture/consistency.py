"""Whether a take fits those made before it at the same seat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.common_time import SAME_PLACE, comparable, match, on_common_time
from roomtune.capture.quality import grade_of
from roomtune.capture.take import Finding, Take, Verdict

SAME_LEVEL_DB = 0.5
SAME_SOUND = 0.99
OTHER_SOUND = 0.7
WINDOW_S = (-0.02, 0.2)
LEAST_OVERLAP = 2.0


def checked_against(take: Take, earlier: Sequence[Take]) -> Take:
    """Return the take with its times and its verdict put right by earlier takes at its seat.

    Its time zero becomes theirs (`on_common_time`). Only takes that are not to be
    repeated are compared. Found are a microphone that moved, a level that changed, and
    a sound that came from another output than the one asked for.
    """
    trusted = [
        other for other in earlier if other.seat == take.seat and other.verdict.grade != "repeat"
    ]
    if take.verdict.grade == "repeat" or not trusted:
        return take
    take = on_common_time(take, trusted)
    found = _place_and_level(take, trusted) or _source(take, trusted)
    findings = (*take.verdict.findings, *found)
    return replace(take, verdict=Verdict(grade_of(findings), findings))


def _place_and_level(take: Take, earlier: Sequence[Take]) -> tuple[Finding, ...]:
    """Compare the markers with those of the latest take that has the same kind of them."""
    alike = comparable(take, earlier)
    if take.fingerprint is None or not alike:
        return ()
    latest = alike[-1]
    assert latest.fingerprint is not None
    found = match(take.fingerprint, latest.fingerprint)
    same, step_db = found.alike, found.louder_db
    if same < SAME_PLACE:
        text = (
            f"The microphone or something near it moved since the take of {latest.source} "
            f"(likeness of the markers {same:.2f}, 1 is the same). Measure this seat again."
        )
        return (Finding("microphone moved", "usable", text),)
    if abs(step_db) > SAME_LEVEL_DB:
        text = (
            f"The level changed by {step_db:+.1f} dB since the take of {latest.source}: somebody "
            f"turned a volume or a gain. Set it back, or measure this seat again."
        )
        return (Finding("level jumped", "usable", text),)
    return ()


def _source(take: Take, earlier: Sequence[Take]) -> tuple[Finding, ...]:
    """Compare the response with earlier ones: of the same output, and of all others.

    Channels may well share their bass, so only outputs are told apart.
    """
    for other in reversed(earlier):
        if other.kind != take.kind or other.reference != take.reference:
            continue
        same = agreement(take, other)
        if same is None:
            continue
        if other.source == take.source and same < OTHER_SOUND:
            text = (
                f"{take.source} sounds different from its earlier take at this seat (agreement "
                f"{same:.2f}): is another output playing?"
            )
            return (Finding("wrong output", "usable", text),)
        if other.source != take.source and take.kind == "output" and same > SAME_SOUND:
            text = (
                f"{take.source} sounds exactly like {other.source} (agreement {same:.3f}): the "
                f"signal goes to the same driver. Check the routing and the wiring."
            )
            return (Finding("wrong output", "usable", text),)
    return ()


def agreement(one: Take, two: Take) -> float | None:
    """Agreement (0 to 1) of two responses in their common valid band, time included.

    The first 0.2 s count. None when less than an octave is common, or when there
    is no common time. Blind to gain and polarity.
    """
    if one.reference == "none" or two.reference == "none":
        return None
    bands = (one.stimulus.valid_band_hz, two.stimulus.valid_band_hz)
    low, high = max(bands[0][0], bands[1][0]), min(bands[0][1], bands[1][1])
    if high < LEAST_OVERLAP * low or one.stimulus.sample_rate_hz != two.stimulus.sample_rate_hz:
        return None
    first, second = (_spectrum(take, low, high) for take in (one, two))
    size = np.linalg.norm(first) * np.linalg.norm(second)
    return float(abs(np.vdot(first, second)) / size) if size > 0 else None


def _spectrum(take: Take, low_hz: float, high_hz: float) -> NDArray[np.complex128]:
    import scipy.fft

    response = take.impulse_response
    times = response.times_s
    inside = (times >= WINDOW_S[0]) & (times < WINDOW_S[1])
    piece = response.samples[inside]
    spectrum = scipy.fft.rfft(piece)
    frequencies = scipy.fft.rfftfreq(piece.size, 1 / response.sample_rate_hz)
    weight = 1 / np.sqrt(np.maximum(frequencies, 1.0))
    used = (frequencies >= low_hz) & (frequencies <= high_hz)
    return np.asarray((spectrum * weight)[used])
