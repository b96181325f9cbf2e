"""Impulsive disturbance: what happened once during a sweep, and when."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.noise import smoothed_density
from roomtune.signal.residue import residue_spectrum
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import NoiseSpectrum

BLOCK_S = 0.01
NEIGHBOURHOOD_S = 0.3
FACTOR = 8.0
LEAST = 3.0
FLOOR_DB = -70.0
WEAKEST_DB = -50.0


@dataclass(frozen=True)
class Burst:
    """A disturbance: when after the start of the samples, for how long, how strong.

    `strength_db`: its power against the recording's at that moment.
    """

    time_s: float
    duration_s: float
    strength_db: float


def find_bursts(
    samples: NDArray[np.float64],
    sweep: Sweep,
    time_zero_s: float,
    tail_s: float,
    noise: NoiseSpectrum,
) -> tuple[Burst, ...]:
    """Find disturbances in a recorded sweep (m,), strongest first.

    The residue of the responses is whitened with the noise's own spectrum and
    squared in blocks of 10 ms. A block counts when it holds 8 times what its
    neighbourhood of 0.3 s on either side holds (median), and 3 times the noise;
    what stays 50 dB under the recording does no harm and is left out.
    """
    import scipy.fft

    rate = sweep.sample_rate_hz
    length = scipy.fft.next_fast_len(samples.size, real=True)
    spectrum = residue_spectrum(samples, sweep, time_zero_s, tail_s, length)
    frequencies = scipy.fft.rfftfreq(length, 1 / rate)
    floor = 10 ** (FLOOR_DB / 10) * float(np.mean(samples**2)) / rate
    density = smoothed_density(noise, frequencies) + floor
    white = scipy.fft.irfft(spectrum / np.sqrt(density * rate), length)[: samples.size]
    block = round(BLOCK_S * rate)
    energy = _block_means(white, block)
    usual = _running_median(energy, round(NEIGHBOURHOOD_S / BLOCK_S))
    high = (energy > FACTOR * usual) & (energy > LEAST)
    if not high.any():
        return ()
    power = _block_means(scipy.fft.irfft(spectrum, length)[: samples.size], block)
    heard = _block_means(samples, block)
    bursts = []
    for begin, end in _groups(high):
        ratio = float(np.max(power[begin:end]) / (np.max(heard[begin:end]) + 1e-30))
        time_s = (begin + int(np.argmax(energy[begin:end])) + 0.5) * BLOCK_S
        strength_db = 10 * float(np.log10(ratio + 1e-12))
        if strength_db < WEAKEST_DB:
            continue
        burst = Burst(time_s, (end - begin) * BLOCK_S, strength_db)
        bursts.append((float(np.max(energy[begin:end])), burst))
    return tuple(burst for _, burst in sorted(bursts, key=lambda item: -item[0]))


def _block_means(samples: NDArray[np.float64], block: int) -> NDArray[np.float64]:
    count = samples.size // block
    return np.asarray((samples[: count * block].reshape(count, block) ** 2).mean(axis=1))


def _running_median(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(values, size=2 * reach + 1, mode="nearest"))


def _groups(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true values, joined over gaps of up to three blocks."""
    places = np.flatnonzero(flags)
    splits = np.flatnonzero(np.diff(places) > 4) + 1
    return [(int(group[0]), int(group[-1]) + 1) for group in np.split(places, splits)]
