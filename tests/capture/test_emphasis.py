"""Sweeps whose level follows the noise: as exact, never louder, evenly above the noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.fft
import scipy.signal

from roomtune.capture.emphasis import DEEPEST_DB, follow_noise
from roomtune.capture.listening import noise_report
from roomtune.capture.measure import capture_take
from roomtune.capture.stimulus import take_signals
from roomtune.session.codec import from_plain, to_plain
from roomtune.signal.deconvolution import deconvolve
from roomtune.signal.sweeps import Sweep, sweep_signal

RATE = 48000
SLOPE = ((30.0, 0.0), (300.0, -6.0), (3000.0, -12.0))


def brown_noise(count, seed):
    """Noise that falls by 6 dB per octave from 60 Hz on."""
    sections = scipy.signal.butter(1, 60, fs=RATE, output="sos")
    return scipy.signal.sosfilt(sections, np.random.default_rng(seed).standard_normal(count))


def test_the_level_follows_and_the_phase_does_not_change():
    plain, shaped = Sweep(30, 12000, 2, RATE), Sweep(30, 12000, 2, RATE, SLOPE)
    gain = shaped.gain_at(plain.frequency_at_hz(np.arange(plain.sample_count) / RATE))
    np.testing.assert_allclose(sweep_signal(shaped), gain * sweep_signal(plain), atol=1e-12)
    assert shaped.gain_at([10.0, 300.0, 20000.0]) == pytest.approx(
        [1, 10 ** (-6 / 20), 10 ** (-12 / 20)]
    )


@pytest.mark.parametrize("emphasis", [((100.0, 1.0),), ((200.0, 0.0), (100.0, 0.0))])
def test_what_is_no_emphasis_is_refused(emphasis):
    with pytest.raises(ValueError, match="rising frequencies and no gain above 0 dB"):
        Sweep(30, 12000, 2, RATE, emphasis)


def test_the_response_is_as_exact_as_without(room_response):
    sweep = Sweep(30, 12000, 2, RATE, SLOPE)
    truth = room_response(1, band_hz=(50, 9000))
    played = np.pad(sweep_signal(sweep), (RATE // 4, RATE))
    recorded = scipy.signal.fftconvolve(played, truth)[: played.size]
    result = deconvolve(recorded, sweep, time_zero_s=0.25)
    length = 2**18
    frequencies = scipy.fft.rfftfreq(length, 1 / RATE)
    low, high = result.valid_band_hz
    inside = (frequencies >= low) & (frequencies <= high)
    got = result.linear.response(length).values[inside]
    expected = scipy.fft.rfft(truth, length)[inside]
    heard = np.abs(expected) > 0.03 * np.abs(expected).max()
    ratio = got[heard] / expected[heard]
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.02
    assert np.max(np.abs(np.degrees(np.angle(ratio)))) < 0.2


def test_distortion_reads_as_without():
    # y = x + 0.1 x^2 + 0.2 x^3: second order 0.05, third 0.05 for a unit sine.
    sweep = Sweep(100, 10000, 5, RATE, ((100.0, 0.0), (1000.0, -6.0), (10000.0, -6.0)))
    played = np.pad(sweep_signal(sweep), (RATE, RATE))
    result = deconvolve(played + 0.1 * played**2 + 0.2 * played**3, sweep, time_zero_s=1.0)
    frequencies = np.array([1000.0, 2000, 4000])
    second = result.harmonics[0].response_at(frequencies).values
    third = result.harmonics[1].response_at(frequencies).values
    np.testing.assert_allclose(np.abs(second), 0.05, rtol=0.02)
    np.testing.assert_allclose(np.abs(third), 0.05, rtol=0.02)


def test_it_is_evenly_above_the_noise_and_nowhere_louder(small_room, room_response, take_request):
    request = take_request("loopback", (40, 12000), duration_s=1.5)
    noise = noise_report(3e-3 * brown_noise(4 * RATE, 1), RATE)
    shaped = follow_noise(request, noise)
    gains_db = [gain_db for _, gain_db in shaped.sweep.emphasis]
    assert (max(gains_db), min(gains_db)) == (0.0, DEEPEST_DB)
    assert np.abs(take_signals(shaped)).max() <= np.abs(take_signals(request)).max() + 1e-12
    spreads = []
    for wanted in (request, shaped):
        room = small_room({1: room_response(1, band_hz=(45, 11000))}, loopback=(3, 2))
        room.spoil = lambda samples: samples + 3e-3 * brown_noise(len(samples), 2)[:, None] * (1, 0)
        take = capture_take(room, wanted).take
        assert take.verdict.grade == "good", take.verdict
        ratios = [ratio for centre, ratio in take.octave_snr_db if 100 < centre < 5000]
        spreads.append(np.ptp(ratios))
    print(f"signal-to-noise differs by {spreads[0]:.0f} dB without, {spreads[1]:.0f} dB with")
    assert spreads[1] < spreads[0] - 8


def test_a_band_narrower_than_two_thirds_stays_as_it_is(take_request):
    noise = noise_report(brown_noise(RATE, 1), RATE)
    request = replace(take_request("none"), sweep=Sweep(1000, 1100, 1, RATE))
    assert follow_noise(request, noise) is request


def test_the_emphasis_is_kept_with_the_sweep():
    sweep = Sweep(30, 12000, 2, RATE, SLOPE)
    assert from_plain(Sweep, to_plain(sweep)) == sweep
    old = {"start_hz": 30.0, "stop_hz": 12000.0, "duration_s": 2.0, "sample_rate_hz": 48000.0}
    assert from_plain(Sweep, old).emphasis == ()
