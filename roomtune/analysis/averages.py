"""Averages over seats, and the spread about them.

The seat axis is the last but one: values (..., seats, k).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.values import FrequencyResponse


def seat_weights(weights: ArrayLike | None, seats: int) -> NDArray[np.float64]:
    """Weights that sum to 1, shape (seats,); equal ones for None.

    Raises ValueError when they do not fit the seats or none is positive.
    """
    values = np.ones(seats) if weights is None else np.asarray(weights, dtype=float)
    if values.shape != (seats,) or np.any(values < 0) or not values.sum() > 0:
        raise ValueError(f"weights {values} do not fit {seats} seats")
    return values / values.sum()


def seat_average(
    response: FrequencyResponse, weights: ArrayLike | None = None
) -> FrequencyResponse:
    """Power average over the seats: values (..., k), real and not negative.

    The root of the weighted mean of |H|^2; it has no phase.
    """
    share = seat_weights(weights, response.values.shape[-2])
    power = np.einsum("s,...sk->...k", share, np.abs(response.values) ** 2)
    return replace(response, values=np.sqrt(power))


def aligned_average(
    response: FrequencyResponse, arrivals_s: ArrayLike, weights: ArrayLike | None = None
) -> FrequencyResponse:
    """Complex average (..., k) after every seat's arrival is taken out.

    arrivals_s: (..., seats). What the seats have in common adds up; what is
    private to a seat averages out. Time zero of the result is the arrival.
    """
    share = seat_weights(weights, response.values.shape[-2])
    aligned = response.delayed(-np.asarray(arrivals_s, dtype=float))
    return replace(response, values=np.einsum("s,...sk->...k", share, aligned.values))


def seat_spread_db(
    response: FrequencyResponse, weights: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Weighted standard deviation of the level over the seats in dB, (..., k)."""
    share = seat_weights(weights, response.values.shape[-2])
    level = response.magnitude_db
    mean = np.einsum("s,...sk->...k", share, level)
    square = np.einsum("s,...sk->...k", share, (level - mean[..., None, :]) ** 2)
    return np.sqrt(square)


def seat_coherence(
    response: FrequencyResponse, arrivals_s: ArrayLike, weights: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Share of the power that the seats have in common, 0 to 1, shape (..., k).

    |sum w H|^2 / sum w |H|^2 of the aligned responses: 1 when all seats receive
    the same, and on average the sum of the squared weights when they share
    nothing.
    """
    common = np.abs(aligned_average(response, arrivals_s, weights).values) ** 2
    total = np.abs(seat_average(response, weights).values) ** 2
    return common / np.maximum(total, 1e-300)
