"""What the checks of a take look at."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.distortion import Distortion, measure_distortion
from roomtune.capture.disturbance import Burst, find_bursts
from roomtune.capture.interface import Recording
from roomtune.capture.interruption import find_interruption
from roomtune.capture.noise import octaves_hz, smoothed_density
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import Schedule
from roomtune.capture.timing import Clock, MarkerTimes
from roomtune.signal.decibels import power
from roomtune.signal.deconvolution import Deconvolution
from roomtune.signal.sweeps import Sweep, sweep_energy_density
from roomtune.signal.values import NoiseSpectrum

SNR_WINDOW_S = 0.3


@dataclass(frozen=True, eq=False)
class Stretch:
    """The part of the microphone's recording that holds the sweep, drift removed.

    `samples` (m,) begin at `begin_s` of the recording; the sweep begins at
    `zero_s` after their start, had it no delay.
    """

    samples: NDArray[np.float64]
    begin_s: float
    zero_s: float


@dataclass(frozen=True, eq=False)
class Evidence:
    """A recording and all that was found in it.

    `clock` comes from the loopback where there is one; `heard` are the markers
    at the microphone, if it heard them. `mistaken_rate_hz`: the rate at which the
    recording was made, when that was not the one it states (it is resampled).
    `others`: sweeps that sounded meanwhile, and when each began in the stretch (s).
    """

    recording: Recording
    request: TakeRequest
    plan: Schedule
    clock: Clock | None
    heard: MarkerTimes | None
    stretch: Stretch
    response: Deconvolution
    noise: NoiseSpectrum
    mistaken_rate_hz: float | None = None
    others: tuple[tuple[Sweep, float], ...] = ()

    @property
    def microphone(self) -> NDArray[np.float64]:
        """What the microphone delivered, (m,)."""
        return self.recording.samples[:, 0]

    @cached_property
    def bursts(self) -> tuple[Burst, ...]:
        """What happened once during the sweep."""
        return find_bursts(
            self.stretch.samples,
            self.request.sweep,
            self.stretch.zero_s,
            self.request.settings.tail_s,
            self.noise,
            self.others,
        )

    @cached_property
    def interruption_s(self) -> float | None:
        """The clearest moment at which the sweep was not there, after the stretch's start."""
        return find_interruption(
            self.stretch.samples,
            self.request.sweep,
            self.stretch.zero_s,
            self.response.linear,
            self.request.settings.tail_s,
            self.noise,
        )

    @cached_property
    def distortion(self) -> Distortion:
        """Distortion of the chain, per octave."""
        request = self.request
        return measure_distortion(self.response, request.sweep, request.level_dbfs, self.noise)

    def moment_s(self, into_s: float) -> float:
        """Instant in the recording of a moment so long after the start of the stretch."""
        drift = self.clock.drift_ppm * 1e-6 if self.clock is not None else 0.0
        return self.stretch.begin_s + into_s * (1 + drift)

    @cached_property
    def octave_snr_db(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Centres (Hz) of the octaves in the valid band, and the SNR in each, dB.

        The signal is the response, the noise what a response taken from a window
        of 0.3 s would carry.
        """
        low, high = self.response.valid_band_hz
        spectrum = self.response.linear.response()
        grid = spectrum.frequencies_hz
        used = (grid >= low) & (grid <= high)
        grid, signal = grid[used], np.abs(spectrum.values[used]) ** 2
        energy = sweep_energy_density(self.request.sweep, grid) * power(self.request.level_dbfs)
        variance = SNR_WINDOW_S * smoothed_density(self.noise, grid) / energy
        centres = octaves_hz(low, high)
        ratios = []
        for centre in centres:
            inside = (grid >= centre / np.sqrt(2)) & (grid < centre * np.sqrt(2))
            ratio = (signal[inside].sum() + 1e-30) / (variance[inside].sum() + 1e-30)
            ratios.append(10 * float(np.log10(ratio)))
        return centres, np.array(ratios)
