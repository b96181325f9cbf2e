"""Samples that the converter did not deliver as they were: cut, or missing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FULL_SCALE = 0.999
LEAST_PLACES = 5
SHORTEST_GAP = 8
QUIETEST_NEIGHBOUR = 10 ** (-70 / 20)


def flat_crests(samples: NDArray[np.float64]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Where crests are cut off and for how many samples each; samples (m,).

    At full scale any two neighbours count. Below it three equal samples with a
    steep fall on both sides do, in at least five places: the rounded crest of a
    slow sine in few bits falls by less than 0.0003 of its height.
    """
    height = np.abs(samples)
    peak = float(height.max())
    if peak >= FULL_SCALE:
        begins, lengths = runs(height >= FULL_SCALE)
        return begins[lengths >= 2], lengths[lengths >= 2]
    begins, lengths = runs(height >= peak * (1 - 1e-7))
    inside = (begins > 0) & (begins + lengths < height.size) & (lengths >= 3)
    begins, lengths = begins[inside], lengths[inside]
    step = 3e-4 * peak
    steep = (peak - height[begins - 1] > step) & (peak - height[begins + lengths] > step)
    if np.count_nonzero(steep) < LEAST_PLACES:
        return begins[:0], lengths[:0]
    return begins[steep], lengths[steep]


def gaps(samples: NDArray[np.float64]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Runs of at least 8 exact zeros amid sound: blocks that were never delivered.

    A gap counts when the samples next to it, 64 on either side, are louder than
    -70 dB of the recording's peak: silence may well be zeros in few bits.
    """
    height = np.abs(samples)
    begins, lengths = runs(height == 0)
    long = lengths >= SHORTEST_GAP
    begins, lengths = begins[long], lengths[long]
    audible = QUIETEST_NEIGHBOUR * float(height.max())
    amid = [
        height[max(begin - 64, 0) : begin].max(initial=0) > audible
        and height[begin + length : begin + length + 64].max(initial=0) > audible
        for begin, length in zip(begins, lengths, strict=True)
    ]
    kept = np.array(amid, dtype=bool)
    return begins[kept], lengths[kept]


def runs(flags: NDArray[np.bool_]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """First places and lengths of the runs of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return edges[::2], edges[1::2] - edges[::2]
