"""Usable bands: what each output may be asked for, from what it was measured to do."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, third_rows
from roomtune.advisor.driver_limits import driver_limit
from roomtune.advisor.proposal import Proposal
from roomtune.system.model import Output

Array = NDArray[np.float64]
FALL_DB = 10.0
SEEN_DB = 10.0
CLEAN_RESERVE_DB = 20.0


@dataclass(frozen=True)
class UsableBand:
    """Where an output plays well: in its safe band, not fallen off, above the noise, clean.

    noisy_hz: thirds that hardly stand above the noise; distorted_hz: thirds with
    more than 10 % of second or 3 % of higher harmonics 20 dB under the output's
    highest level. most_dbfs: the sine that it may be asked for anywhere in the band,
    `most_by`: what sets it ("distortion" or a limit of `driver_limits`).
    """

    output: str
    low_hz: float
    high_hz: float
    level_db: float
    noisy_hz: tuple[float, ...] = ()
    distorted_hz: tuple[float, ...] = ()
    most_dbfs: float = 0.0
    most_by: str = ""


def usable_bands(aims: Aims) -> tuple[UsableBand, ...]:
    """The usable band of every output, from third-octave levels averaged over the seats.

    The run of thirds about the middle of the safe band, none of which lies
    more than 10 dB under their median, less than 10 dB above the noise, or
    distorts at low levels. Gaps of up to two thirds are passed over.
    """
    return tuple(_usable(aims, place) for place in range(len(aims.model.outputs)))


def _usable(aims: Aims, place: int) -> UsableBand:
    name = aims.model.outputs[place]
    low, high = _safe_band(aims, place)
    centres, bands = third_rows(aims.model, (max(1.1 * low, 18.0), min(high / 1.1, 20e3)))
    power = aims.average[0] @ own_power(aims, place) @ bands.T
    noise = aims.average[0] @ aims.model.noise[place] @ bands.T
    level = 10 * np.log10(np.maximum(power, 1e-30))
    loud = np.median(level)
    clean_dbfs = _clean_dbfs(aims, place, centres)
    output = aims.system.output(name)
    clean = clean_dbfs >= output.maximum_level_dbfs - CLEAN_RESERVE_DB
    good = (level > loud - FALL_DB) & (power > noise * 10 ** (SEEN_DB / 10)) & clean
    good = _without_gaps(good, 2)
    first, last = _run_about(good, int(np.argmax(_smooth(level))))
    noisy = tuple(float(f) for f in centres[power <= noise * 10 ** (SEEN_DB / 10)])
    ends = _reach(centres, first, last, low, high)
    dirty = tuple(float(f) for f in centres[~clean])
    most = _most(output, clean_dbfs[first : last + 1], centres[first : last + 1])
    return UsableBand(name, float(ends[0]), float(ends[1]), float(loud), noisy, dirty, *most)


def _most(output: Output, clean_dbfs: Array, centres: Array) -> tuple[float, str]:
    """The sine that an output may be asked for in all of these thirds, and what sets it."""
    limit = driver_limit(output, centres)
    place = int(np.argmin(limit.level_dbfs))
    most, cause = float(limit.level_dbfs[place]), limit.causes[place]
    if clean_dbfs.min() < most:
        most, cause = float(clean_dbfs.min()), "distortion"
    return most, cause


def _safe_band(aims: Aims, place: int) -> tuple[float, float]:
    """What was measured, as far as it is safe now."""
    low, high = (float(f) for f in aims.measured.bands_hz[place])
    safe = aims.system.output(aims.model.outputs[place]).safe_band_hz
    return max(low, safe[0]), min(high, safe[1])


def _clean_dbfs(aims: Aims, place: int, centres_hz: Array) -> Array:
    """Level up to which the output stays clean in each third; infinite where nothing tells."""
    levels = aims.measured.clean
    if levels is None:
        return np.full(len(centres_hz), np.inf)
    row = levels.level_dbfs[aims.measured.outputs.index(aims.model.outputs[place])]
    nearest = np.argmin(np.abs(np.log(levels.frequencies_hz / centres_hz[:, None])), axis=1)
    near = np.abs(np.log2(levels.frequencies_hz[nearest] / centres_hz)) < 1 / 6
    return np.where(near, row[nearest], np.inf)


def _reach(centres: Array, first: int, last: int, low: float, high: float) -> tuple[float, float]:
    """Edges of a run of thirds; the safe band's own where the run goes to its end."""
    bottom = low if first == 0 else max(low, float(centres[first]) * 10**-0.05)
    top = high if last == len(centres) - 1 else min(high, float(centres[last]) * 10**0.05)
    return bottom, top


def own_power(aims: Aims, place: int) -> Array:
    """Power of one output alone at the narrow bands, (seats, k); zero when no channel has it."""
    for members, covariance in zip(aims.model.members, aims.model.covariances, strict=True):
        index = np.flatnonzero(members == place)
        if len(index):
            return np.asarray(covariance[index[0], index[0]].real)
    return np.zeros((len(aims.model.seats), len(aims.model.centres_hz)))


def _smooth(level: Array) -> Array:
    return np.convolve(np.pad(level, 2, mode="edge"), np.ones(5) / 5, mode="valid")


def _without_gaps(good: NDArray[np.bool_], longest: int) -> NDArray[np.bool_]:
    """The same with inner gaps of up to `longest` thirds closed."""
    closed = good.copy()
    places = np.flatnonzero(good)
    for before, after in pairwise(places.tolist()):
        if after - before - 1 <= longest:
            closed[before:after] = True
    return closed


def _run_about(good: NDArray[np.bool_], start: int) -> tuple[int, int]:
    first = last = start
    while first > 0 and good[first - 1]:
        first -= 1
    while last < len(good) - 1 and good[last + 1]:
        last += 1
    return first, last


def band_proposals(bands: tuple[UsableBand, ...]) -> list[Proposal]:
    """What was found usable, where it is less than the safe band or uncertain."""
    proposals = []
    for band in bands:
        refused: tuple[str, ...] = ()
        if band.noisy_hz:
            listed = ", ".join(f"{f:.0f}" for f in band.noisy_hz[:6])
            refused = (f"acting on the thirds at {listed} Hz, which hardly stand above the noise",)
        if band.distorted_hz:
            listed = ", ".join(f"{f:.0f}" for f in band.distorted_hz[:6])
            refused += (
                f"crossing over at {listed} Hz, where it distorts {CLEAN_RESERVE_DB:g} dB under "
                "its highest level already",
            )
        proposals.append(
            Proposal(
                step="usable band",
                subject=band.output,
                change=f"use it from {band.low_hz:.0f} to {band.high_hz:.0f} Hz, all of it up to "
                f"{band.most_dbfs:.1f} dBFS (by {band.most_by})",
                evidence=f"third-octave levels averaged over the seats stay within {FALL_DB:g} dB "
                "there, above the noise, undistorted, inside its safe band",
                effect="",
                refused=refused,
            )
        )
    return proposals
