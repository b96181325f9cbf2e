"""Modes of an analytic rectangular room, found through drivers and noise."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from roomtune.analysis.modes import fit_modes
from roomtune.analysis.rooms import rectangular_modes
from roomtune.signal.values import ImpulseResponse

RATE, BAND = 2000.0, (15.0, 120.0)
SIZE = (4.8, 3.9, 2.45)


def decay_of(frequency_hz, least_s=0.5):
    return least_s + 30 / frequency_hz


def modal_room(seed, snr_db, outputs=10, seats=5, size=SIZE, least_s=0.5):
    """Modal sum of a rectangular room through subwoofers, with white noise."""
    rng = np.random.default_rng(seed)
    modes = rectangular_modes(size, 260.0)
    indices = np.array([m.indices for m in modes])
    frequencies = np.array([m.frequency_hz for m in modes])
    norm = np.prod(np.where(indices > 0, np.sqrt(2), 1), axis=1)

    def shapes(points):
        return np.prod(np.cos(np.pi * points[:, None] * indices), axis=-1) * norm

    sources = rng.choice([0.05, 0.5, 0.95], (outputs, 3)) + rng.uniform(-0.03, 0.03, (outputs, 3))
    sources[:, 2] = rng.uniform(0.05, 0.4, outputs)
    places = rng.uniform(0.15, 0.85, (seats, 3))
    times = np.arange(int(2.0 * RATE)) / RATE
    loss = 3 * np.log(10) / decay_of(frequencies, least_s)
    waves = np.exp(-loss[:, None] * times) * np.sin(2 * np.pi * frequencies[:, None] * times)
    waves /= frequencies[:, None] * (1 + (frequencies[:, None] / 150) ** 4)
    samples = np.einsum("sm,rm,mt->srt", shapes(sources), shapes(places), waves)
    driver = scipy.signal.butter(2, 25, "highpass", fs=RATE, output="sos")
    samples = scipy.signal.sosfilt(driver, samples)
    peak = np.abs(samples).max(axis=-1, keepdims=True)
    noise = rng.standard_normal(samples.shape) * peak * 10 ** (-snr_db / 20)
    truth = frequencies[(frequencies > BAND[0]) & (frequencies < BAND[1])]
    return ImpulseResponse(samples + noise, RATE), truth


def matched(found, truth):
    """Index of the found mode for each true one; -1 when none is within 0.4 %."""
    places = [int(np.argmin(np.abs(found - f))) for f in truth]
    close = [abs(found[p] / f - 1) < 0.004 for p, f in zip(places, truth, strict=True)]
    return np.where(close, places, -1)


@pytest.mark.slow
def test_twenty_modes_below_120_hz_at_40_db():
    """Masonry walls, 12 outputs at 9 seats; five pairs closer than their bandwidth, at least 0.67.

    There the Cramer-Rao bound of a decay is at most 1.5 % (tests/benchmarks/modes_trial.py).
    """
    response, truth = modal_room(1000, 40, 12, 9, (4.72, 4.36, 2.87), 0.9)
    assert len(truth) == 20
    spacing = np.diff(truth) * np.pi * decay_of(truth[1:], 0.9) / 3 / np.log(10)
    assert np.count_nonzero(spacing < 1) == 5
    found = fit_modes(response, BAND, 0.0)
    assert len(found.frequencies_hz) == 20
    assert np.max(np.abs(found.frequencies_hz / truth - 1)) < 0.002
    assert np.max(np.abs(found.decay_s / decay_of(truth, 0.9) - 1)) < 0.05


@pytest.mark.parametrize("seed", range(2))
def test_modes_of_a_damped_room_as_far_as_noise_allows(seed):
    response, truth = modal_room(seed, 40)
    assert len(truth) == 18
    assert np.min(np.diff(truth) * np.pi * decay_of(truth[1:]) / 3 / np.log(10)) < 0.5
    found = fit_modes(response, BAND, 0.0)
    places = matched(found.frequencies_hz, truth)
    assert np.all(places >= 0)
    assert len(set(places)) == len(found.frequencies_hz) == len(truth)
    error = np.abs(found.frequencies_hz / truth - 1)
    decay_error = np.abs(found.decay_s / decay_of(truth) - 1)
    # two pairs are closer than half their bandwidth: there the noise allows no more than stated
    spacing = np.minimum(np.diff(truth, prepend=-np.inf), np.diff(truth, append=np.inf))
    apart = spacing * np.pi * decay_of(truth) > 0.5 * 3 * np.log(10)
    assert np.count_nonzero(~apart) == 4
    strong = found.level_db.max(axis=(0, 1)) > found.level_db.max() - 15
    assert np.max(error[apart]) < 0.002
    assert np.max(decay_error[apart & strong]) < 0.07
    assert np.median(error) < 3e-4
    assert np.median(decay_error) < 0.02
    assert np.all(error < 3 * found.frequency_uncertainty_hz / truth)
    assert np.all(decay_error < 3 * found.decay_uncertainty_s / decay_of(truth))
    assert np.all(found.explained > 0.9)


def test_at_60_db_everything_is_exact():
    response, truth = modal_room(5, 60)
    found = fit_modes(response, BAND, 0.0)
    places = matched(found.frequencies_hz, truth)
    assert np.all(places >= 0)
    kept = places[places >= 0]
    assert np.max(np.abs(found.frequencies_hz[kept] / truth[places >= 0] - 1)) < 5e-4
    assert np.max(np.abs(found.decay_s[kept] / decay_of(truth[places >= 0]) - 1)) < 0.05


def test_two_modes_closer_than_their_bandwidth_with_exact_strengths():
    # two modes of 0.6 s, 1.2 Hz apart (bandwidth 3.7 Hz), mixed differently in 6 responses
    rng = np.random.default_rng(1)
    times = np.arange(3000) / RATE
    loss = 3 * np.log(10) / 0.6
    amplitudes = rng.normal(size=(6, 2)) + 1j * rng.normal(size=(6, 2))
    poles = np.exp((-loss + 2j * np.pi * np.array([[60.0], [61.2]])) * times)
    samples = np.real(amplitudes @ poles) + 1e-4 * rng.standard_normal((6, 3000))
    found = fit_modes(ImpulseResponse(samples, RATE), (20, 120), 0.0)
    assert found.frequencies_hz == pytest.approx([60.0, 61.2], abs=0.01)
    assert found.decay_s == pytest.approx([0.6, 0.6], rel=0.01)
    assert found.amplitudes == pytest.approx(amplitudes, abs=0.01)
    assert found.quality == pytest.approx(found.frequencies_hz * 0.6 / 2.19881, rel=0.01)
    # peak of a resonance a e^{-dt}: |a| / 2d times the sample rate of the spectrum
    expected = 20 * np.log10(np.abs(amplitudes) / 2 / loss * RATE)
    assert found.level_db == pytest.approx(expected, abs=0.1)


def test_stated_uncertainties_cover_the_truth_at_their_rate():
    # 95 % within two standard deviations; 108 modes: 91 % is two deviations below that
    within = []
    for seed in range(10, 16):
        response, truth = modal_room(seed, 45)
        found = fit_modes(response, BAND, 0.0)
        places = matched(found.frequencies_hz, truth)
        known = truth[places >= 0]
        kept = places[places >= 0]
        errors = (
            np.abs(found.frequencies_hz[kept] - known),
            np.abs(found.decay_s[kept] - decay_of(known)),
        )
        stated = found.frequency_uncertainty_hz[kept], found.decay_uncertainty_s[kept]
        within.append(np.array(errors) < 2 * np.array(stated))
    covered = np.concatenate(within, axis=1).mean(axis=1)
    assert np.all(covered > 0.91)


def test_the_edge_of_a_played_band_is_no_mode():
    """A sharp edge at 33 Hz rings beside the mode of 35.75 Hz, and longer, in half the outputs."""
    response, truth = modal_room(3, 70, 4, 3)
    spectrum = np.fft.rfft(response.samples, 1 << 13)
    frequencies = np.fft.rfftfreq(1 << 13, 1 / RATE)
    edge = np.clip(1 + np.log2(np.maximum(frequencies, 1e-3) / 33.0) * 12, 0, 1)
    spectrum[:2] *= 0.5 - 0.5 * np.cos(np.pi * edge)
    samples = np.fft.irfft(spectrum)[..., : response.samples.shape[-1]]
    lowest = np.array([[33.0], [33.0], [15.0], [15.0]])
    found = fit_modes(ImpulseResponse(samples, RATE), BAND, 0.0, lowest_hz=lowest)
    assert len(found.frequencies_hz) <= len(truth)
    assert found.frequencies_hz[0] == pytest.approx(truth[0], rel=0.001)
    assert found.decay_s[0] == pytest.approx(decay_of(truth[0]), rel=0.02)
    assert np.all(np.min(np.abs(found.frequencies_hz[:, None] / truth - 1), axis=1) < 0.004)
    whole = fit_modes(response, BAND, 0.0)
    assert np.all(np.isnan(found.level_db[:2, :, 0]))
    assert found.level_db[2:, :, 0] == pytest.approx(whole.level_db[2:, :, 0], abs=0.3)
    assert found.level_db[:2, :, 3] == pytest.approx(whole.level_db[:2, :, 3], abs=0.3)


def test_noise_has_no_modes_and_short_responses_are_refused():
    rng = np.random.default_rng(0)
    noise = ImpulseResponse(rng.standard_normal((4, 4000)), RATE)
    assert len(fit_modes(noise, BAND, 0.0).frequencies_hz) == 0
    with pytest.raises(ValueError, match=r"0\.3 s"):
        fit_modes(ImpulseResponse(rng.standard_normal((4, 500)), RATE), BAND, 0.0)


def test_hum_and_the_driver_itself_are_no_modes():
    response, truth = modal_room(1, 60)
    times = np.arange(response.samples.shape[-1]) / RATE
    hum = 0.01 * np.abs(response.samples).max() * np.sin(2 * np.pi * 50.3 * times)
    found = fit_modes(ImpulseResponse(response.samples + hum, RATE), BAND, 0.0)
    assert len(found.frequencies_hz) == len(truth)
    assert np.all(matched(found.frequencies_hz, truth) >= 0)
    assert np.all(found.quality > 3)


@pytest.mark.filterwarnings("ignore")
def test_image_source_room_agrees_with_the_mode_formula():
    # pyroomacoustics, walls that absorb 20 %: order 50 holds the whole decay of 0.7 s
    pyroomacoustics = pytest.importorskip("pyroomacoustics")
    high_pass = pyroomacoustics.constants.get("rir_hpf_enable")
    pyroomacoustics.constants.set("rir_hpf_enable", False)
    try:
        room = pyroomacoustics.ShoeBox(
            SIZE, fs=int(RATE), materials=pyroomacoustics.Material(0.2), max_order=50
        )
        for source in [(0.3, 0.3, 0.3), (4.4, 0.4, 0.4), (0.4, 3.5, 0.5), (2.4, 0.3, 1.9)]:
            room.add_source(source)
        seats = [(3.1, 1.7, 1.2), (2.2, 2.5, 1.0), (3.7, 3.1, 1.5), (1.3, 1.1, 2.0)]
        room.add_microphone_array(np.array(seats).T)
        room.compute_rir()
    finally:
        pyroomacoustics.constants.set("rir_hpf_enable", high_pass)
    count = int(0.7 * RATE)
    samples = np.array([[room.rir[m][s][:count] for m in range(4)] for s in range(4)])
    noise = np.random.default_rng(0).standard_normal(samples.shape)
    samples += noise * np.abs(samples).max(axis=-1, keepdims=True) * 10 ** (-40 / 20)
    found = fit_modes(ImpulseResponse(samples, RATE, -40 / RATE), (20, 90), 0.005)
    formula = np.array([m.frequency_hz for m in rectangular_modes(SIZE, 95.0, room.c)])
    for frequency in formula[:3]:
        assert np.min(np.abs(found.frequencies_hz / frequency - 1)) < 0.007
    distance = np.min(np.abs(found.frequencies_hz[:, None] / formula - 1), axis=1)
    assert np.all(distance < 0.015)
    assert len(found.frequencies_hz) >= 6
