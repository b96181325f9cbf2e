"""A small system in a synthetic room, and channel takes through any tuning."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.prediction import Prediction, predict
from roomtune.capture.take import Take, Verdict
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    OutputSetting,
    Route,
    Tuning,
)
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum
from roomtune.system.model import Channel, Loudspeaker, Output, Playback, Seat, System

RATE = 48000.0
SAMPLES = 9600
BANDS = {"woofer": (50.0, 5000.0), "tweeter": (1000.0, 20000.0), "subwoofer": (20.0, 200.0)}


def make_system() -> System:
    outputs, loudspeakers = [], []
    for name in ("L", "R", "C"):
        loudspeakers.append(Loudspeaker(name=f"front {name}", channel=name))
        for driver in ("woofer", "tweeter"):
            number = len(outputs) + 1
            outputs.append(
                Output(
                    name=f"{driver} {name}",
                    number=number,
                    loudspeaker=f"front {name}",
                    driver=driver,
                    playback=Playback(interface_output=number),
                    safe_band_hz=BANDS[driver],
                )
            )
    loudspeakers.append(Loudspeaker(name="sub"))
    outputs.append(
        Output(
            name="sub",
            number=7,
            loudspeaker="sub",
            driver="subwoofer",
            playback=Playback(interface_output=7),
            safe_band_hz=BANDS["subwoofer"],
        )
    )
    channels = [Channel(name=n) for n in ("L", "R", "C")]
    channels.append(Channel(name="LFE", kind="low frequency effects"))
    return System(
        name="small room",
        channels=tuple(channels),
        loudspeakers=tuple(loudspeakers),
        outputs=tuple(outputs),
        seats=(Seat(name="main", main=True), Seat(name="left", weight=0.5)),
    )


def make_responses(system: System, seed: int = 0) -> NDArray[np.float64]:
    """Band-limited direct sound with a decaying diffuse tail, (outputs, seats, n)."""
    random = np.random.default_rng(seed)
    shape = (len(system.outputs), len(system.seats))
    times = np.arange(SAMPLES) / RATE
    samples = np.zeros((*shape, SAMPLES))
    frequencies = np.fft.rfftfreq(SAMPLES, 1 / RATE)
    for o, output in enumerate(system.outputs):
        low, high = (np.maximum(b, 1) for b in output.safe_band_hz)
        steep = 1j * frequencies
        band = (steep / (steep + low / 2)) ** 2 / (1 + steep / (1.5 * high)) ** 2
        for s in range(shape[1]):
            delay = 0.004 + 0.0004 * o + 0.0007 * s + random.uniform(0, 2e-4)
            tail = random.normal(size=SAMPLES) * np.exp(-times / 0.03) * 0.03 * (times > 0.002)
            tail[0] += 1.0
            spectrum = np.fft.rfft(tail) * band * np.exp(-2j * np.pi * frequencies * delay)
            samples[o, s] = 0.1 * np.fft.irfft(spectrum, SAMPLES)
    return samples


def make_tuning(system: System, seed: int = 5) -> Tuning:
    """Crossovers at 80 Hz and 2 kHz, a few filters, gains and delays."""
    random = np.random.default_rng(seed)
    outputs = []
    for item in system.outputs:
        filters = {
            "woofer": (
                Filter("high pass", 80.0, family="Linkwitz-Riley", order=4),
                Filter("low pass", 2000.0, family="Linkwitz-Riley", order=4),
                Filter("peaking", 150.0 + 20 * item.number, q=4.0, gain_db=-5.0),
                Filter("peaking", 600.0 + 90 * item.number, q=3.0, gain_db=-4.0),
            ),
            "tweeter": (
                Filter("high pass", 2000.0, family="Linkwitz-Riley", order=4),
                Filter("high shelf", 7000.0, q=0.7, gain_db=-3.0),
            ),
            "subwoofer": (
                Filter("low pass", 80.0, family="Linkwitz-Riley", order=4),
                Filter("peaking", 42.0, q=5.0, gain_db=-6.0),
            ),
        }[item.driver]
        outputs.append(
            OutputSetting(
                item.name,
                item.number,
                gain_db=float(np.round(random.uniform(-6, 0), 1)),
                inverted=item.number == 3,
                delay_ms=float(np.round(random.uniform(0.3, 4), 2)),
                filters=filters,
            )
        )
    routes = [
        Route(name, f"{driver} {name}")
        for name in ("L", "R", "C")
        for driver in ("woofer", "tweeter")
    ] + [Route(name, "sub") for name in ("L", "R", "C", "LFE")]
    channels = tuple(ChannelSetting(c.name) for c in system.channels)
    return Tuning(RATE, channels, tuple(routes), tuple(outputs))


@dataclass(frozen=True, eq=False)
class Bench:
    """A measured system, its right tuning, and takes through any tuning."""

    system: System
    measured: Measured
    tuning: Tuning
    prediction: Prediction

    def takes(
        self,
        tuning: Tuning | None = None,
        measured: Measured | None = None,
        snr_db: float = 60.0,
        seed: int = 1,
        offset_s: float = 0.0123,
        gain_db: float = 0.0,
        clock_hz: float = RATE,
    ) -> tuple[Take, ...]:
        """Channel takes with noise `snr_db` below each response; white in the recording.

        `clock_hz`: the rate at which the processor really runs.
        """
        actual = tuning or self.tuning
        # Exactly what would be heard, beyond the measured bands too.
        responses = (measured or self.measured).responses.response(6 * SAMPLES)
        scaled = responses.frequencies_hz * RATE / clock_hz
        inside = scaled <= RATE / 2
        shape = (len(actual.channels), len(actual.outputs), len(scaled))
        electrical = np.zeros(shape, dtype=complex)
        electrical[..., inside] = tuning_response(actual, scaled[inside])
        heard = np.fft.irfft(np.einsum("cok,osk->csk", electrical, responses.values))
        random = np.random.default_rng(seed)
        takes = []
        for c, channel in enumerate(actual.channels):
            for s, seat in enumerate(self.measured.seats):
                samples = heard[c, s, : 4 * SAMPLES] * 10 ** (gain_db / 20)
                takes.append(self._take(channel.name, seat, samples, snr_db, random, offset_s))
        return tuple(takes)

    def _take(self, channel, seat, samples, snr_db, random, offset_s) -> Take:
        sweep = Sweep(20.0, 20000.0, 3.0, RATE)
        # Noise whose deconvolved density follows sqrt(f), as white noise in a recording gives.
        noise = random.normal(size=len(samples))
        spectrum = np.fft.rfft(noise) * np.sqrt(np.fft.rfftfreq(len(samples), 1 / RATE))
        noise = np.fft.irfft(spectrum, len(samples))
        energy = np.sum(samples**2) / np.sum(noise**2) * 10 ** (-snr_db / 10)
        noise *= np.sqrt(energy)
        # Two-sided density S of the recording such that T S / |X|^2 is that noise.
        frequency = 1000.0
        at = (
            np.mean(np.abs(np.fft.rfft(noise)[900:1100]) ** 2)
            * frequency
            / (np.mean(np.fft.rfftfreq(len(samples), 1 / RATE)[900:1100]))
        )
        density = at * sweep.rate_s / (4 * frequency) / (len(samples) / RATE)
        grid = np.array([1.0, 24000.0])
        return Take(
            channel, "channel", seat, sweep, 0.0,
            ImpulseResponse(samples + noise, RATE, offset_s),
            NoiseSpectrum(grid, np.full(2, density)),
            (), Verdict("good"), "acoustic", 0.0, "2026-03-01T20:15:00+00:00",
        )  # fmt: skip


@pytest.fixture(scope="session")
def make_bench() -> Callable[[int], Bench]:
    def make(seed: int = 0) -> Bench:
        system = make_system()
        responses = ImpulseResponse(make_responses(system, seed), RATE)
        measured = measured_from_responses(system, responses)
        tuning = make_tuning(system)
        return Bench(system, measured, tuning, predict(tuning, measured))

    return make


@pytest.fixture(scope="session")
def bench(make_bench) -> Bench:
    return make_bench(0)
