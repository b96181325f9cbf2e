"""Synthetic drivers with a known arrival, in noise, with reflections."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest

from roomtune.capture.reading import START_S as TAKE_START_S
from roomtune.capture.requests import HIGHEST_OF_RATE, CaptureSettings
from roomtune.signal.deconvolution import deconvolve
from roomtune.signal.sweeps import Sweep, sweep_signal
from roomtune.signal.values import ImpulseResponse

RATE = 48000.0
START_S = -0.02


@dataclass(frozen=True)
class Kind:
    """Second-order ends (frequency, Q, order) and the band that is played.

    `besides`: what else there is, minimum phase, a function of j times the frequency in Hz.
    """

    low: tuple[float, float]
    high: tuple[float, float, int]
    band_hz: tuple[float, float]
    earliest_reflection_s: float
    besides: Callable[[np.ndarray], np.ndarray] = np.ones_like

    def response(self, frequencies):
        below = 1j * frequencies / self.low[0]
        above = 1j * frequencies / self.high[0]
        rise = below**2 / (below**2 + below / self.low[1] + 1)
        fall = 1 / (above**2 + above / self.high[1] + 1)
        return rise * fall ** (self.high[2] // 2) * self.besides(1j * frequencies)


def bell(frequency_hz, q, gain_db):
    """A resonance in the band: a cone that breaks up, or a dip."""
    share = 10 ** (gain_db / 40) / q

    def response(s):
        x = s / frequency_hz
        return (x**2 + share * x + 1) / (x**2 + x * share / 10 ** (gain_db / 20) + 1)

    return response


def baffle(frequency_hz):
    """A baffle step: 6 dB more above than below."""
    return lambda s: (1 + s / frequency_hz * 2**0.5) / (1 + s / frequency_hz / 2**0.5)


def coil(frequency_hz):
    """A voice coil: one more pole."""
    return lambda s: 1 / (1 + s / frequency_hz)


KINDS = {
    "tweeter": Kind((1100, 0.8), (25e3, 0.6, 2), (1200, 22e3), 0.9e-3),
    "midrange": Kind((120, 0.7), (6000, 0.9, 2), (150, 12e3), 0.9e-3),
    "full range": Kind((60, 0.7), (18e3, 0.7, 2), (40, 21e3), 0.9e-3),
    "woofer": Kind((45, 0.7), (3000, 0.8, 2), (30, 5000), 1.5e-3),
    "subwoofer": Kind((28, 0.7), (400, 0.7, 2), (15, 500), 3e-3),
    "80 Hz subwoofer": Kind((25, 0.7), (80, 0.7071, 4), (15, 500), 3e-3),
}

# drivers that are not of second order at either end
UNLIKE = {
    name: replace(KINDS[kind], besides=besides)
    for name, kind, besides in (
        ("woofer, baffle step", "woofer", baffle(400)),
        ("full range, baffle step", "full range", baffle(600)),
        ("tweeter, dome resonance", "tweeter", bell(26e3, 8, 12)),
        ("tweeter, break-up", "tweeter", bell(15e3, 4, 4)),
        ("woofer, break-up", "woofer", bell(3500, 5, 8)),
        ("midrange, dip", "midrange", bell(2500, 3, -4)),
        ("subwoofer, bump", "subwoofer", bell(250, 3, 5)),
        ("woofer, coil in the band", "woofer", coil(1500)),
        ("subwoofer, coil in the band", "subwoofer", coil(150)),
        ("tweeter, pole above the band", "tweeter", coil(30e3)),
    )
}


def band(frequencies, band_hz):
    """The played band with a sixth of an octave of fade outside, zero phase."""
    place = np.log2(np.maximum(frequencies, 1e-3))
    low, high = np.log2(band_hz)
    inside = np.clip(np.minimum(place - low, high - place) * 6 + 1, 0, 1)
    return 0.5 - 0.5 * np.cos(np.pi * inside)


def filtered(kind, frequencies, arrival_s, sign, reflections):
    """Spectrum of a driver of this sign, its time of flight and its reflections."""
    turns = -2j * np.pi * frequencies
    room = 1 + sum(gain * np.exp(turns * time_s) for time_s, gain in reflections)
    return sign * kind.response(frequencies) * np.exp(turns * arrival_s) * room


@pytest.fixture
def synthetic_driver():
    """A function (kind, arrival_s, sign, snr_db, reflections, rng) -> ImpulseResponse.

    `snr_db` is the peak of the direct sound over the root mean square noise in
    the played band.
    """

    def make(kind, arrival_s, sign=1, snr_db=None, reflections=(), rng=None, count=1 << 14):
        length = 2 * count
        frequencies = np.fft.rfftfreq(length, 1 / RATE)
        played = band(frequencies, kind.band_hz)
        heard = filtered(kind, frequencies, arrival_s - START_S, sign, reflections)
        samples = np.fft.irfft(heard * played)[:count]
        if snr_db is not None:
            noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(length)) * played)[:count]
            peak = np.max(np.abs(np.fft.irfft(kind.response(frequencies) * played)))
            samples = samples + noise / noise.std() * peak * 10 ** (-snr_db / 20)
        return ImpulseResponse(samples, RATE, START_S)

    return make


@pytest.fixture
def synthetic_take():
    """A function like `synthetic_driver` -> ImpulseResponse, valid band (Hz), as measured.

    The sweep of `roomtune measure` through driver and reflections, noise added to the
    recording, deconvolved. `snr_db`: root mean square of the recorded sweep, while it
    sounds, over that of the noise from 0 to half the sample rate; white, or pink from 10 Hz on.
    """
    settings = CaptureSettings()
    zero_s = 0.35

    def make(kind, arrival_s, sign=1, snr_db=40, reflections=(), rng=None, pink=False):
        low, high = kind.band_hz
        sweep = Sweep(low, min(high, HIGHEST_OF_RATE * RATE), settings.sweep_duration_s, RATE)
        length = 1 << 18
        frequencies = np.fft.rfftfreq(length, 1 / RATE)
        played = np.fft.rfft(sweep_signal(sweep), length)
        system = filtered(kind, frequencies, zero_s + arrival_s, sign, reflections)
        recorded = np.fft.irfft(played * system)
        noise = rng.standard_normal(length)
        if pink:
            noise = np.fft.irfft(np.fft.rfft(noise) / np.sqrt(np.maximum(frequencies, 10)))
        begin = int(zero_s * RATE)
        loud = np.sqrt(np.mean(recorded[begin : begin + sweep.sample_count] ** 2))
        recorded += noise * loud / noise.std() * 10 ** (-snr_db / 20)
        found = deconvolve(recorded, sweep, zero_s, TAKE_START_S, settings.tail_s)
        return found.linear, found.valid_band_hz

    return make


@pytest.fixture
def some_reflections():
    """A function (kind, rng) -> twelve reflections (time_s, gain) of either sign."""

    def make(kind, rng):
        times = rng.uniform(kind.earliest_reflection_s, 25e-3, 12)
        gains = rng.choice([-1, 1], 12) * rng.uniform(0.2, 0.8, 12) * np.exp(-times / 15e-3)
        return list(zip(times, gains, strict=True))

    return make


@pytest.fixture
def kinds():
    """Kinds of synthetic drivers by name."""
    return KINDS


@pytest.fixture
def unlike_kinds():
    """Kinds of drivers that do not follow the model, by name."""
    return UNLIKE
