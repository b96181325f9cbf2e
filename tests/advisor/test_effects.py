"""What a step is worth agrees with closed forms; with predictions: test_planning."""

import numpy as np
import pytest

from roomtune.advisor.effects import Levels, effect_of, off_target, out_of_level, seats_apart

CENTRES = np.array([50.0, 100.0, 200.0, 400.0, 1000.0, 2000.0])


def levels(level_db, sigma_db=0.0, main=0):
    level = np.array(level_db, dtype=float)
    return Levels(
        tuple("LRC"[: level.shape[0]]),
        CENTRES[: level.shape[2]],
        level,
        np.full(level.shape, sigma_db),
        np.zeros(level.shape[2]),
        np.ones(level.shape[1]),
        main,
    )


def test_the_distance_from_the_target_is_rms_after_one_level():
    # +2 and -2 dB in turn about any level: 2 dB rms
    there = levels([[[7, 3, 7, 3]]])
    assert off_target(("L",))(there) == pytest.approx(2.0)
    assert off_target(("R",))(there) == 0.0


def test_the_seats_differ_by_their_standard_deviation():
    there = levels([[[1, 9], [-1, 0]]])
    assert seats_apart(("L",), 60.0)(there) == pytest.approx(1.0)


def test_a_channel_is_out_of_level_by_its_distance_from_the_others():
    flat = np.zeros((3, 1, 6))
    flat[2] = 4.0
    assert out_of_level("C")(levels(flat)) == pytest.approx(4.0)


def first_third(there):
    """Mean over the seats of the first channel's first third: a linear statistic."""
    return float(np.mean(there.level_db[0, :, 0]))


def test_the_jackknife_of_a_mean_is_its_standard_error():
    # Efron 1982: for a mean the jackknife gives s / sqrt(n) exactly
    random = np.random.default_rng(1)
    values = random.normal(size=9)
    without = levels(values[None, :, None])
    found = effect_of(without, levels(np.zeros((1, 9, 1))), first_third)
    assert found.value_db == pytest.approx(values.mean(), abs=0.006)
    assert found.uncertainty_db == pytest.approx(values.std(ddof=1) / 3, abs=0.006)


def test_noise_counts_as_far_as_it_touches_the_difference():
    flat = np.zeros((1, 1, 1))
    same = effect_of(levels(flat, 1.0), levels(flat, 1.0), first_third)
    assert same.uncertainty_db == 0.01
    found = effect_of(levels(flat, 2.0), levels(flat, 0.0), first_third)
    assert found.uncertainty_db == pytest.approx(2.0, rel=0.35)
