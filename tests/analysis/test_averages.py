"""Averages over seats against their definitions and the physics of sums."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.analysis.averages import (
    aligned_average,
    seat_average,
    seat_coherence,
    seat_spread_db,
)
from roomtune.signal.values import FrequencyResponse

FREQUENCIES = np.geomspace(20, 20e3, 64)


def random_seats(outputs, seats, seed=0):
    rng = np.random.default_rng(seed)
    shape = (outputs, seats, 64)
    return FrequencyResponse(FREQUENCIES, rng.normal(size=shape) + 1j * rng.normal(size=shape))


def test_power_average_is_weighted():
    response = random_seats(3, 4)
    weights = np.array([2.0, 1.0, 1.0, 0.0])
    expected = np.sqrt(np.average(np.abs(response.values) ** 2, axis=1, weights=weights))
    assert seat_average(response, weights).values == pytest.approx(expected)
    spread = seat_spread_db(response, weights)
    levels = response.magnitude_db
    mean = np.average(levels, axis=1, weights=weights)
    assert spread**2 == pytest.approx(
        np.average((levels - mean[:, None]) ** 2, axis=1, weights=weights)
    )


def test_seats_that_differ_by_delay_alone_share_everything():
    arrivals = np.array([0.004, 0.0051, 0.0063])
    common = np.exp(1j * np.linspace(0, 3, 64)) * np.linspace(1, 2, 64)
    response = FrequencyResponse(FREQUENCIES, np.tile(common, (3, 1))).delayed(arrivals)
    assert seat_coherence(response, arrivals) == pytest.approx(1)
    assert aligned_average(response, arrivals).values == pytest.approx(common)


def test_unrelated_seats_share_the_sum_of_squared_weights():
    response = random_seats(4000, 4, seed=5)
    coherence = seat_coherence(response, np.zeros((4000, 4)))
    # E|sum w H|^2 / E sum w|H|^2 = 1/4; the mean of ratios of four equal exponentials too
    assert coherence.mean() == pytest.approx(0.25, abs=0.003)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(1, 6), st.integers(0, 1000))
def test_coherence_lies_between_zero_and_one(seats, seed):
    rng = np.random.default_rng(seed)
    weights = rng.uniform(0.1, 1, seats)
    coherence = seat_coherence(random_seats(2, seats, seed), rng.normal(size=(2, seats)), weights)
    assert np.all((coherence >= 0) & (coherence <= 1 + 1e-12))


def test_weights_must_fit():
    with pytest.raises(ValueError, match="3 seats"):
        seat_average(random_seats(1, 3), [1, 2])
    with pytest.raises(ValueError, match="3 seats"):
        seat_average(random_seats(1, 3), [0, 0, 0])
