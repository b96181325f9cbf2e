"""The first moments of a response as a band-limited waveform, and how a model looks in it.

Data and model pass the same shape: a raised cosine at the upper end of the band,
whose ringing is short, and a causal high pass at the lower end, so that nothing
late (reflections) rings ahead into what came before it. Below the high pass the
band fades over up to two octaves: a steep edge would ring ahead with the bass of
the room.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.onset import tail_density

_SAMPLES = 256
_PER_CYCLE = 4.0
_OCTAVES = 5.0
_TOP_HZ = 1000.0
_LOW_OCTAVES = 0.4
_SKIRT_OCTAVES = 2.0
_HIGH_PASS = 1.6
_HIGH_PASS_ORDER = 6


@dataclass(frozen=True, eq=False)
class EarlyWaveform:
    """Decimated samples (m,) about the arrival, seen through `shape`.

    frequencies_hz, shape (k,): the bins in the band and what they are weighted
    with; spectrum (k,): the weighted data there; noise (m,): autocovariance of the
    noise in the samples; begin_s: time of the transform's start after the first
    sample of the response; first: decimated samples from there to the first one
    kept; count, length: of the transform after and before decimation.
    """

    frequencies_hz: NDArray[np.float64]
    shape: NDArray[np.complex128]
    spectrum: NDArray[np.complex128]
    samples: NDArray[np.float64]
    noise: NDArray[np.float64]
    begin_s: float
    rate_hz: float
    first: int
    count: int
    length: int

    def waveforms(self, spectra: NDArray[np.complex128]) -> NDArray[np.float64]:
        """Samples (..., m) of impulse responses from their weighted spectra (..., k)."""
        whole = _waveforms(spectra, self.frequencies_hz, self.rate_hz, self.count, self.length)
        return whole[..., self.first : self.first + len(self.samples)]


def looked_at_hz(band_hz: tuple[float, float]) -> tuple[float, float]:
    """The part of a band that `early_waveform` looks at: its upper five octaves at most."""
    low, high = band_hz
    return max(low, high / 2**_OCTAVES), high


def early_waveform(
    samples: NDArray[np.float64], rate: float, band_hz: tuple[float, float], time_s: float
) -> EarlyWaveform:
    """What a response (n,) does around `time_s` (after its first sample) in a band.

    At most the upper five octaves of the band are looked at: they tell the time.
    """
    import scipy.fft

    low, high = looked_at_hz(band_hz)
    ring_s = 1.8 / (low * (2**_LOW_OCTAVES - 1))
    per_second = min(_PER_CYCLE * high, rate)
    begin = int((time_s - ring_s) * rate)
    length = scipy.fft.next_fast_len(int((3 * ring_s + _SAMPLES / per_second) * rate), real=True)
    count = min(2 * int(np.ceil(per_second * length / rate / 2)), length - length % 2)
    grid = np.arange(count // 2 + 1) * rate / length
    shape = _shape(grid, max(band_hz[0], low / 2**_SKIRT_OCTAVES), low, high)
    inside = np.flatnonzero(np.abs(shape) > 1e-6)
    grid, shape = grid[inside], shape[inside]
    spectrum = scipy.fft.rfft(_piece(samples, begin, length, int(ring_s * rate)))[inside] * shape
    coarse = np.geomspace(low, high, 40)
    noise = tail_density(samples, rate, coarse, within_hz=band_hz)
    density = np.interp(grid, coarse, noise) * np.abs(shape) ** 2
    fine = rate * count / length
    both = _waveforms(np.stack([spectrum, density]), grid, fine, count, length)
    first = max(int((time_s - begin / rate) * fine) - _SAMPLES // 8, 0)
    kept = both[0, first : first + _SAMPLES]
    covariance = both[1, : len(kept)]
    return EarlyWaveform(
        grid, shape, spectrum, kept, covariance, begin / rate, fine, first, count, length
    )


def _shape(
    grid: NDArray[np.float64], lowest: float, low: float, high: float
) -> NDArray[np.complex128]:
    """What data and model are weighted with: short ringing above, causal below."""
    octaves = min(np.log2(high / max(high - _TOP_HZ, 0.5 * high)), 1.0)
    place = np.log2(np.maximum(grid, 1e-9))
    begin, end = np.log2(lowest), np.log2(low) + _LOW_OCTAVES
    rise = np.clip((place - begin) / (end - begin), 0, 1)
    fall = np.clip((np.log2(high) - place) / max(octaves, 1 / 6), 0, 1)
    edges = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    x = 1j * grid / (_HIGH_PASS * low)
    high_pass = np.ones(len(grid), dtype=complex)
    for number in range(_HIGH_PASS_ORDER // 2):
        damping = 2 * np.sin(np.pi * (2 * number + 1) / (2 * _HIGH_PASS_ORDER))
        high_pass *= x**2 / (x**2 + damping * x + 1)
    return np.asarray(edges * high_pass)


def _piece(samples: NDArray[np.float64], begin: int, length: int, fade: int) -> NDArray[np.float64]:
    """A stretch of the samples, silence where there are none, its ends faded."""
    piece = np.zeros(length)
    first, last = max(begin, 0), min(begin + length, len(samples))
    piece[first - begin : last - begin] = samples[first:last]
    short = fade // 2
    piece[:short] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(short) / short)
    piece[length - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    return piece


def _waveforms(
    spectra: NDArray[Any], frequencies: NDArray[np.float64], rate: float, count: int, length: int
) -> NDArray[np.float64]:
    """Inverse transform, `count` points, of the bins in the band of one of `length`."""
    import scipy.fft

    first = round(float(frequencies[0]) * count / rate)
    whole = np.zeros((*spectra.shape[:-1], count // 2 + 1), dtype=complex)
    whole[..., first : first + spectra.shape[-1]] = spectra
    return np.asarray(scipy.fft.irfft(whole, count) * (count / length))
