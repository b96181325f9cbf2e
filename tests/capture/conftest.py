"""A small room of known truth behind the audio interface protocol."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pytest
import scipy.fft
import scipy.signal
import soxr

from roomtune.capture.interface import Recording
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.signal.sweeps import Sweep


def make_response(
    seed, rate=48000, delay_s=0.005, band_hz=(300, 18000), decay_s=0.4, diffuse=0.02, length_s=0.5
):
    """Direct sound, then a diffuse tail that decays by 60 dB in `decay_s`, band-limited."""
    random = np.random.default_rng(seed)
    times = np.arange(round(length_s * rate)) / rate
    direct = round(delay_s * rate)
    response = diffuse * random.standard_normal(times.size) * np.exp(-6.9078 * times / decay_s)
    response[: direct + 20] = 0
    response[direct] = 1
    sections = scipy.signal.butter(2, band_hz, "bandpass", fs=rate, output="sos")
    return scipy.signal.sosfilt(sections, response)


@dataclass
class SmallRoom:
    """Plays through one response per interface output; everything else is a switch.

    `loopback` is (interface output, interface input). Latency is drawn anew
    for every recording. `spoil` may change the finished recording.
    """

    responses: dict[int, np.ndarray]
    sample_rate_hz: float = 48000
    drift_ppm: float = 0.0
    noise_rms: float = 0.0
    loopback: tuple[int, int] | None = None
    latency_s: tuple[float, float] = (0.2, 0.9)
    seed: int = 0
    spoil: object = None
    before_noise: object = None
    last_latency_s: float = 0.0
    played: list = field(default_factory=list)

    def __post_init__(self):
        self.random = np.random.default_rng(self.seed)

    def play_and_record(self, signals, inputs):
        self.played.append(signals)
        self.last_latency_s = self.random.uniform(*self.latency_s)
        columns = [self._heard(signals, number) for number in inputs]
        samples = np.stack(columns, axis=1)
        if self.drift_ppm:
            rate = self.sample_rate_hz
            samples = soxr.resample(samples, rate, rate * (1 + self.drift_ppm * 1e-6), "VHQ")
        if self.before_noise is not None:
            samples = self.before_noise(samples)
        samples = samples + self.noise_rms * self.random.standard_normal(samples.shape)
        if self.spoil is not None:
            samples = self.spoil(samples)
        return Recording(samples, self.sample_rate_hz)

    def _heard(self, signals, number):
        count = signals.shape[0] + round(1.2 * self.sample_rate_hz)
        length = scipy.fft.next_fast_len(count + round(self.sample_rate_hz), real=True)
        total = np.zeros(length // 2 + 1, dtype=complex)
        if self.loopback is not None and number == self.loopback[1]:
            total += 0.5 * scipy.fft.rfft(signals[:, self.loopback[0] - 1], length)
        else:
            for output, response in self.responses.items():
                if output <= signals.shape[1] and signals[:, output - 1].any():
                    played = scipy.fft.rfft(signals[:, output - 1], length)
                    total += played * scipy.fft.rfft(response, length)
        delay = self.last_latency_s * self.sample_rate_hz
        turn = np.exp(-2j * np.pi * np.arange(total.size) * delay / length)
        return scipy.fft.irfft(total * turn, length)[:count]


@pytest.fixture(scope="session")
def small_room():
    """The class of the room, to be set up by each test."""
    return SmallRoom


@pytest.fixture(scope="session")
def room_response():
    """The function that makes a response."""
    return make_response


@pytest.fixture(scope="session")
def take_request():
    """A function that makes a request with a given reference."""

    def make(
        kind="acoustic", band_hz=(100, 16000), duration_s=1.5, rate=48000, level_dbfs=-12.0, **extra
    ):
        marker = Marker(1500, 8000, 0.1, -20.0)
        references = {
            "acoustic": Reference("acoustic", marker, interface_output=2),
            "loopback": Reference("loopback", marker, interface_output=3, interface_input=2),
            "none": Reference("none"),
        }
        request = TakeRequest(
            source="front-left",
            kind="output",
            seat="middle",
            interface_output=1,
            sweep=Sweep(*band_hz, duration_s, rate),
            level_dbfs=level_dbfs,
            reference=references[kind],
            settings=CaptureSettings(sweep_duration_s=duration_s),
        )
        return replace(request, **extra)

    return make
