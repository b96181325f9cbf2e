"""Decay measures against closed forms, in noise, and against an independent library."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from roomtune.analysis.decay import clarity_db, decay, decay_curve, reverberation_time_s
from roomtune.signal.band_filters import band_filtered
from roomtune.signal.values import ImpulseResponse

RATE = 8000
LIMITS = {"EDT_s": (0, -10), "T20_s": (-5, -25), "T30_s": (-5, -35)}


def exponential(time_s, snr_db, rng, rate=RATE, lengths=2.5):
    """A decay of exactly exponential energy (random signs) with white noise."""
    count = int(lengths * time_s * rate)
    decayed = np.exp(-3 * np.log(10) * np.arange(count) / rate / time_s)
    signs = rng.choice([-1.0, 1.0], count)
    return decayed * signs + rng.standard_normal(count) * 10 ** (-snr_db / 20)


@pytest.fixture(scope="module")
def closed_forms(reference_folder):
    with (reference_folder / "decay_closed_forms.csv").open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("snr_db", [50, 65, 80])
def test_closed_forms_in_noise(closed_forms, snr_db):
    # ISO 3382-1 A.10 to A.13 for p^2 = exp(-13.8155 t / T)
    rng = np.random.default_rng(snr_db)
    for row in closed_forms:
        time_s = float(row["T60_s"])
        curve = decay_curve(exponential(time_s, snr_db, rng) ** 2, RATE)
        for name, limits in LIMITS.items():
            found = reverberation_time_s(curve.level_db, RATE, *limits)
            assert found == pytest.approx(time_s, rel=0.01), name
        for name, limit in (("C50_dB", 0.05), ("C80_dB", 0.08)):
            expected = float(row[name])
            if expected < snr_db - 30:  # late energy well above the noise
                found = clarity_db(curve.energy, curve.beyond, limit * RATE)
                assert found == pytest.approx(expected, abs=0.1), name


def test_octave_bands_of_a_random_decay_spread_as_stated():
    rng = np.random.default_rng(7)
    time_s, count, trials = 0.5, 48000, 24
    tail = np.exp(-3 * np.log(10) * np.arange(count) / 48000 / time_s)
    samples = tail * rng.standard_normal((trials, count)) + 1e-4 * rng.standard_normal(
        (trials, count)
    )
    found = decay(ImpulseResponse(samples, 48000.0), 0.0, [250.0, 1000.0, 4000.0])
    assert found.t30_s.shape == (trials, 3)
    assert np.all(found.valid("t30_s"))
    assert found.t30_s.mean(axis=0) == pytest.approx(time_s, rel=0.025)
    # ISO 3382-2: stated standard deviation against the one found in 24 trials
    ratio = found.t30_s.std(axis=0) / found.t30_uncertainty_s.mean(axis=0)
    assert np.all((ratio > 0.6) & (ratio < 1.6))
    assert np.all(np.abs(found.curvature_percent[:, 1:]) < 10)  # random at 250 Hz
    # C80 of an exponential of 0.5 s is 9.096 dB, Ts 36.19 ms (closed forms)
    for values, truth in ((found.c80_db, 9.0956), (found.centre_time_s, 0.036191)):
        standard_error = values.std(axis=0) / np.sqrt(trials)
        assert np.all(np.abs(values.mean(axis=0) - truth) < 3 * standard_error)
    assert found.d50 == pytest.approx(1 / (1 + 10 ** (-found.c50_db / 10)))


@pytest.mark.filterwarnings("ignore")
def test_agrees_with_an_independent_library():
    # pyrato 1.1: Lundeby curves of the same band-filtered, measured-like response
    pyfar = pytest.importorskip("pyfar")
    pyrato = pytest.importorskip("pyrato")
    rng = np.random.default_rng(3)
    rate, count = 48000, 72000
    times = np.arange(count) / rate
    samples = sum(
        np.exp(-3 * np.log(10) * times / t) * rng.standard_normal(count) for t in (0.55, 0.6, 0.7)
    )
    samples += 1e-3 * rng.standard_normal(count)
    band = band_filtered(ImpulseResponse(samples, rate), [1000.0]).samples[0]
    curve = decay_curve(band**2, rate)
    found = reverberation_time_s(curve.level_db, rate, -5, -35)
    other = pyrato.edc.energy_decay_curve_chu_lundeby(
        pyfar.Signal(band, rate), noise_level="auto", time_shift=False
    )
    level = 10 * np.log10(np.abs(other.time.ravel()) / np.abs(other.time.ravel()[0]))
    level = level[np.isfinite(level)]
    assert found == pytest.approx(reverberation_time_s(level, rate, -5, -35), rel=0.02)


def test_too_little_range_is_not_valid_and_silence_is_not_a_number():
    rng = np.random.default_rng(0)
    samples = np.stack([exponential(0.5, 30, rng, 48000), np.zeros(60000)])
    found = decay(ImpulseResponse(samples, 48000.0), 0.0, [1000.0])
    assert not found.valid("t30_s").any()
    assert found.range_db[1, 0] == 0
    assert np.isnan(found.t30_s[1, 0])


def test_time_zero_is_the_arrival():
    rng = np.random.default_rng(2)
    decayed = exponential(0.4, 70, rng, 48000)
    delayed = np.concatenate([1e-5 * rng.standard_normal(4800), decayed])
    by_rule = decay(ImpulseResponse(delayed, 48000.0, -0.05), centres_hz=[1000.0])
    given = decay(ImpulseResponse(delayed, 48000.0, -0.05), 0.05, [1000.0])
    alone = decay(ImpulseResponse(decayed, 48000.0), 0.0, [1000.0])
    assert given.c50_db == pytest.approx(alone.c50_db, abs=0.05)
    assert by_rule.c50_db == pytest.approx(alone.c50_db, abs=0.05)
    assert by_rule.t20_s == pytest.approx(alone.t20_s, rel=0.01)
