"""Samples that the converter did not deliver as they were: cut, or missing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FULL_SCALE = 0.999
LEAST_PLACES = 5
SHARE_AT_TOP = 0.4
SHORTEST_GAP = 8
QUIETEST_NEIGHBOUR = 10 ** (-70 / 20)


def flat_crests(samples: NDArray[np.float64]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Where crests are cut off and for how many samples each; samples (m,).

    At full scale any two neighbours count. Below it the largest value must come
    up in 5 places, and not much less often than all values
    in the 3 % under it: a sine of 1000 steps reaches a fifth of that.
    """
    height = np.abs(samples)
    peak = float(height.max())
    if peak >= FULL_SCALE:
        begins, lengths = runs(height >= FULL_SCALE)
        if np.any(lengths >= 2):
            return begins[lengths >= 2], lengths[lengths >= 2]
    at_top = height >= peak * (1 - 1e-6)
    under = np.count_nonzero(height >= 0.97 * peak) - np.count_nonzero(at_top)
    begins, lengths = runs(at_top)
    cut = lengths.sum() >= SHARE_AT_TOP * under and begins.size >= LEAST_PLACES
    return (begins, lengths) if cut else (begins[:0], lengths[:0])


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
