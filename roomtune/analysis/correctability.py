"""What an equaliser can correct: minimum phase, and common to the seats.

An equaliser acts on all seats alike and, if it is of minimum phase, undoes only
what is of minimum phase. What a cancellation or one seat's private dip does to
the response is neither; boosting it wastes power and makes other seats worse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.averages import seat_weights
from roomtune.analysis.phase import POINTS_PER_OCTAVE, excess_of, seen_from_arrival
from roomtune.signal.smoothing import smooth_complex, smooth_power_db
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

_UNDECIDED_DB = 0.7
_BROAD = 1.0
_LOCAL = 6.0


@dataclass(frozen=True, eq=False)
class Correctability:
    """How far a response can be corrected, on frequencies_hz (k,).

    minimum_phase (..., seats, k): 0 to 1, how steady the excess phase is within
    a sixth of an octave (1: minimum phase); common (..., k): 0 to 1, share of
    the deviations from the one-octave trend that all seats have alike;
    correctable (..., k): their product, averaged over the seats by weight.
    """

    frequencies_hz: NDArray[np.float64]
    minimum_phase: NDArray[np.float64]
    common: NDArray[np.float64]
    correctable: NDArray[np.float64]


def correctability(
    response: ImpulseResponse,
    band_hz: tuple[float, float],
    arrival_s: ArrayLike,
    weights: ArrayLike | None = None,
    cycles: float = 12.0,
) -> Correctability:
    """Judge responses (..., seats, n) with arrivals (..., seats) over a band.

    `cycles` is the length of the window through which they are seen, in
    periods: late sound that an equaliser should not chase stays out.
    """
    share = seat_weights(weights, response.samples.shape[-2])
    seen = seen_from_arrival(response, band_hz, arrival_s, cycles)
    excess = excess_of(seen)
    steady = np.abs(smooth_complex(excess, _LOCAL).values) ** 2
    common = common_share(seen, share)
    agreed = np.einsum("s,...sk->...k", share, steady)
    return Correctability(excess.frequencies_hz, steady, common, common * agreed)


def common_share(
    response: FrequencyResponse, weights: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Share (..., k) of the seats' deviations from their trends that is common.

    The deviation d of each seat's level from its own one-octave smoothing in
    dB; then (sum w d)^2 / sum w d^2, both averaged over a sixth of an octave,
    with 0.7 dB added to either so that flat seats agree. The response must be
    on a grid even in log frequency.
    """
    share = seat_weights(weights, response.values.shape[-2])
    local = smooth_power_db(response, 2 * _LOCAL)
    deviation = local - smooth_power_db(response, _BROAD)
    mean = np.einsum("s,...sk->...k", share, deviation)
    square = np.einsum("s,...sk->...k", share, deviation**2)
    floor = _UNDECIDED_DB**2
    alike, whole = (_local_mean(value) for value in (mean**2, square))
    return (alike + floor) / (whole + floor)


def _local_mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over a sixth of an octave on the log grid, (..., k)."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(
        uniform_filter1d(values, int(POINTS_PER_OCTAVE / _LOCAL) + 1, axis=-1, mode="nearest")
    )
