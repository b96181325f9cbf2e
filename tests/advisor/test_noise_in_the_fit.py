"""The noise of the takes: what it adds to powers, and how far a level in it is trusted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims, base_gains, mean_power_variance, row_trust
from roomtune.advisor.energy import energy_model
from roomtune.advisor.measured import measured_from_responses
from roomtune.advisor.starting import starting_tuning
from roomtune.signal.values import ImpulseResponse


@pytest.fixture
def noisy_aims(workshop):
    """A function from a noise in dB re the mean power in band, and a seed, to aims in it."""
    system = workshop.system()
    measured = workshop.measured(system, workshop.drivers())

    def made(range_db: float, seed: int) -> Aims:
        random = np.random.default_rng(seed)
        quiet = measured.responses
        told = measured_from_responses(system, quiet, range_db=range_db)
        deviation = told.noise_at([1000.0])
        samples = quiet.samples + random.standard_normal(quiet.samples.shape) * deviation / np.sqrt(
            quiet.samples.shape[-1]
        )
        heard = ImpulseResponse(samples, quiet.sample_rate_hz, quiet.start_s, quiet.unit)
        noisy = replace(told, responses=heard)
        return Aims(system, noisy, energy_model(noisy, starting_tuning(system)))

    return made


def own_powers(aims: Aims) -> np.ndarray:
    """Of the outputs that play the first channel, (n, seats, k)."""
    return np.einsum("nnsk->nsk", aims.model.covariances[0]).real


def test_powers_in_noise_are_those_without_it_on_the_average(noisy_aims):
    quiet = own_powers(noisy_aims(150.0, 0))
    trials = np.array([own_powers(noisy_aims(10.0, seed)) for seed in range(8)])
    loud = quiet > 0.2 * quiet.max(axis=-1, keepdims=True)
    above = loud & (noisy_aims(10.0, 0).model.centres_hz > 1000)
    # 10 dB of noise left in would be 0.4 dB too much and more.
    bias_db = 10 * np.log10(trials.mean(axis=0)[above] / quiet[above])
    assert abs(np.mean(bias_db)) < 0.05


def test_no_sum_of_outputs_gets_below_zero(noisy_aims):
    for covariance in noisy_aims(0.0, 1).model.covariances:
        values = np.linalg.eigvalsh(np.moveaxis(covariance, (0, 1), (-2, -1)))
        assert values.min() > -1e-9 * values.max()


def test_the_variance_of_a_mean_power_is_that_of_trials(noisy_aims):
    aims = noisy_aims(150.0, 0)
    random = np.random.default_rng(7)
    count = len(aims.model.centres_hz)
    width = aims.model.edges_hz[-1, 1] - aims.model.edges_hz[-1, 0]
    bins = round(width * aims.measured.responses.duration_s)
    seats, bands = np.ones((1, 1)), np.eye(count)[-1:]
    signal, noise = 2.0, 0.5
    drawn = random.standard_normal((5000, 2, bins)) * np.sqrt(noise / 2)
    trials = np.mean(np.abs(np.sqrt(signal) + drawn[:, 0] + 1j * drawn[:, 1]) ** 2, axis=-1)
    told = mean_power_variance(
        aims, np.full((1, count), signal), np.full((1, count), noise), seats, bands
    )[0, 0]
    assert told == pytest.approx(trials.var(), rel=0.05)
    assert trials.mean() == pytest.approx(signal + noise, rel=0.01)


def test_trust_falls_with_the_noise_from_all_to_nothing(noisy_aims):
    means = []
    for range_db in (60.0, 20.0, 6.0):
        aims = noisy_aims(range_db, 2)
        gains = base_gains(aims, starting_tuning(aims.system))[0]
        bands = np.eye(len(aims.model.centres_hz))
        trust = row_trust(aims, 0, gains, aims.average, bands)
        assert np.all((trust >= 0) & (trust <= 1))
        means.append(trust.mean())
    assert means[0] > 0.6
    assert means == sorted(means, reverse=True)
    drowned = replace(aims.model, noise=aims.model.noise + 1e9)
    assert row_trust(replace(aims, model=drowned), 0, gains, aims.average, bands).max() == 0.0
