"""One time zero for all takes at a seat, whichever sound of the marker each one locked on to.

The acoustic time zero is the first strong peak of the room's answer to the marker.
Where the direct sound is just about strong enough, one take may find it and the next
one a reflection. The answers themselves (`Fingerprint`) are the same but for that
shift, and tell it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.averaging import moved_later
from roomtune.capture.steadiness import likeness
from roomtune.capture.take import Finding, Fingerprint, Take, Verdict

LEAST_SHIFT_S = 50e-6
LARGEST_SHIFT_S = 0.02
SAME_PLACE = 0.95
FINER = 16
EDGE = 4


@dataclass(frozen=True)
class Match:
    """How a fingerprint compares with another.

    `later_s`: its time zero after the other's; `alike`: likeness (0 to 1) where both
    reach, `louder_db`: its level there against the other's.
    """

    later_s: float
    alike: float
    louder_db: float


def comparable(take: Take, earlier: Sequence[Take]) -> tuple[Take, ...]:
    """Those of the earlier takes whose markers can be held against this one's, in order."""
    mine = take.fingerprint
    return tuple(
        other
        for other in earlier
        if mine is not None
        and other.fingerprint is not None
        and other.seat == take.seat
        and other.kind == take.kind
        and other.fingerprint.pattern.shape == mine.pattern.shape
        and other.fingerprint.step_s == mine.step_s
    )


def match(mine: Fingerprint, other: Fingerprint) -> Match:
    """Compare two fingerprints of the same length and spacing.

    The shift is where their cross-correlation is strongest, found on a grid of 1/16
    of the spacing (6 us for markers from 1.5 to 8 kHz) and refined by a parabola.
    """
    lag = _lag(mine.pattern, other.pattern, round(LARGEST_SHIFT_S / mine.step_s))
    moved = _delayed(mine.pattern, lag)
    whole = int(np.ceil(abs(lag))) + EDGE * (abs(lag) > 0.5)
    inside = slice(whole, mine.pattern.size) if lag > 0 else slice(0, mine.pattern.size - whole)
    one, two = moved[inside], other.pattern[inside]
    share_db = 10 * np.log10(_energy(one) / _energy(mine.pattern))
    their_share_db = 10 * np.log10(_energy(two) / _energy(other.pattern))
    louder_db = mine.level_db + share_db - other.level_db - their_share_db
    return Match(lag * mine.step_s, likeness(one, two), float(louder_db))


def _energy(pattern: NDArray[np.complex128]) -> float:
    return float(np.sum(np.abs(pattern) ** 2)) + 1e-300


def _lag(mine: NDArray[np.complex128], other: NDArray[np.complex128], largest: int) -> float:
    """How many places later than in `mine` the same things come in `other`, with a fraction."""
    import scipy.fft

    length = scipy.fft.next_fast_len(2 * mine.size)
    cross = scipy.fft.fft(other, length) * np.conj(scipy.fft.fft(mine, length))
    half = length // 2
    fine = np.zeros(FINER * length, dtype=complex)
    fine[:half], fine[-(length - half) :] = cross[:half], cross[half:]
    height = np.roll(np.abs(scipy.fft.ifft(fine)), FINER * largest)[: 2 * FINER * largest + 1]
    top = int(np.clip(np.argmax(height), 1, height.size - 2))
    before, peak, after = height[top - 1 : top + 2]
    bend = before - 2 * peak + after
    part = 0.0 if bend == 0 else float(np.clip(0.5 * (before - after) / bend, -1, 1))
    return (top + part) / FINER - largest


def _delayed(pattern: NDArray[np.complex128], places: float) -> NDArray[np.complex128]:
    """The pattern so many places later, zeros moved in."""
    import scipy.fft

    length = scipy.fft.next_fast_len(2 * pattern.size)
    turn = np.exp(-2j * np.pi * scipy.fft.fftfreq(length) * places)
    return np.asarray(scipy.fft.ifft(scipy.fft.fft(pattern, length) * turn)[: pattern.size])


def on_common_time(take: Take, earlier: Sequence[Take]) -> Take:
    """Return the take on the time zero of the earlier ones at its seat.

    Unchanged where there is none with the same markers, where the zeros agree within
    50 us, or where the answers differ even when shifted (the microphone moved).
    """
    others = comparable(take, earlier)
    if take.reference != "acoustic" or not others or others[0].reference != "acoustic":
        return take
    mine, theirs = take.fingerprint, others[0].fingerprint
    assert mine is not None
    assert theirs is not None
    found = match(mine, theirs)
    later_s = found.later_s + theirs.moved_s
    if found.alike < SAME_PLACE or abs(later_s) < LEAST_SHIFT_S:
        return take
    text = (
        f"Its markers were found {1e3 * abs(later_s):.2f} ms {'after' if later_s > 0 else 'before'}"
        f" those of {others[0].source}, at another peak of the same echoes; its times were put "
        f"right."
    )
    told = Finding("time zero put right", "good", text)
    return replace(
        take,
        impulse_response=moved_later(take.impulse_response, later_s),
        harmonics=tuple(moved_later(order, later_s) for order in take.harmonics),
        fingerprint=replace(mine, moved_s=later_s),
        verdict=Verdict(take.verdict.grade, (*take.verdict.findings, told)),
    )
