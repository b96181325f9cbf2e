"""Synchronized exponential sweeps and their exact inverse spectrum.

A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine: Theory, Application,
and Implementation", JAES 63(10), 786-798 (2015): because f1 L is an integer,
the sweep shifted ahead by L ln n *is* its own n-th harmonic, so distortion
separates into responses of its own that lead the linear one by L ln n.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

FADE_IN_OCTAVES = 1 / 6
FADE_OUT_OCTAVES = 1 / 24
VALID_AFTER_OCTAVES = 1 / 4
VALID_BEFORE_OCTAVES = 1 / 12
BELOW_BAND = 0.6
ABOVE_BAND = 1.005
LEAST_EDGE = 2.2
HIGHEST_ORDER = 5
NARROWEST_E = 1e-6
MOST_SAMPLES = 2**26
KEPT_ORDER = 9


@dataclass(frozen=True)
class Sweep:
    """An exponential sweep: x(t) = sin(2 pi f1 L exp(t / L)), faded at both ends.

    `duration_s` is the requested length; the true one follows from rounding
    f1 L to an integer (Novak et al. 2015, Eq. 49). Raises ValueError for a band
    that is empty or reaches beyond half the sample rate, for a length in which
    not even one cycle per natural octave would fit, and for more than 2^26 samples.
    `emphasis`: pairs of rising frequency (Hz) and gain (dB, at most 0) that the level
    follows, interpolated over the logarithm of the frequency; none: full level throughout.
    """

    start_hz: float
    stop_hz: float
    duration_s: float
    sample_rate_hz: float
    emphasis: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        places = [0.0, *(frequency_hz for frequency_hz, _ in self.emphasis)]
        rising = all(one < two for one, two in itertools.pairwise(places))
        if not rising or any(not gain_db <= 0 for _, gain_db in self.emphasis):
            raise ValueError("an emphasis has rising frequencies and no gain above 0 dB")
        within = 0 < self.start_hz < self.stop_hz <= self.sample_rate_hz / 2
        if not within or self._octaves_e < NARROWEST_E:
            raise ValueError(
                f"a sweep from {self.start_hz:g} to {self.stop_hz:g} Hz does not fit "
                f"a sample rate of {self.sample_rate_hz:g} Hz"
            )
        if not 0 < self.duration_s * self.sample_rate_hz <= MOST_SAMPLES:
            raise ValueError(
                f"a sweep of {self.duration_s:g} s at {self.sample_rate_hz:g} Hz has no length, "
                f"or more than {MOST_SAMPLES} samples"
            )
        if round(self.start_hz * self.duration_s / self._octaves_e) < 1:
            raise ValueError(
                f"{self.duration_s:g} s is too short for a sweep from {self.start_hz:g} "
                f"to {self.stop_hz:g} Hz; it needs {self._octaves_e / self.start_hz:.3g} s"
            )

    @property
    def _octaves_e(self) -> float:
        return math.log(self.stop_hz / self.start_hz)

    @property
    def rate_s(self) -> float:
        """L: the time in which the frequency grows by a factor e."""
        cycles = round(self.start_hz * self.duration_s / self._octaves_e)
        return cycles / self.start_hz

    @property
    def true_duration_s(self) -> float:
        """Length after rounding, L ln(f2 / f1)."""
        return self.rate_s * self._octaves_e

    @property
    def sample_count(self) -> int:
        """Length of `sweep_signal` in samples."""
        return math.ceil(self.true_duration_s * self.sample_rate_hz)

    @property
    def valid_band_hz(self) -> tuple[float, float]:
        """Where the recovered response is exact: a little inside the fades.

        Further inside for a short sweep: the steeper an edge of the band, the longer
        it rings, and it must not ring beyond the pre-time (`pre_time_s`). Without
        noise the response is within 0.02 dB and 0.2 degrees of the truth here, down to
        30 dB under its strongest part.
        """
        edge_hz = LEAST_EDGE / pre_time_s(self)
        return (
            max(self.start_hz * 2**VALID_AFTER_OCTAVES, self.start_hz * BELOW_BAND + edge_hz),
            min(self.stop_hz * 2**-VALID_BEFORE_OCTAVES, self.top_hz - edge_hz),
        )

    @property
    def top_hz(self) -> float:
        """Where the deconvolution lets nothing more through, just above the sweep."""
        return min(self.stop_hz * ABOVE_BAND, self.sample_rate_hz / 2)

    def gain_at(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """The level (0 to 1) that the emphasis leaves where the sweep passes a frequency."""
        frequency = np.asarray(frequency_hz, dtype=float)
        if not self.emphasis:
            return np.ones(frequency.shape)
        places, gains_db = np.array(self.emphasis).T
        followed = np.interp(np.log(np.maximum(frequency, 1e-3)), np.log(places), gains_db)
        return np.asarray(10 ** (followed / 20))

    def order_gain(self, order: int, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """What the response of a distortion order is multiplied by to undo the emphasis.

        Order n at the frequency f comes from the sweep at f / n, at its level there to
        the power n, while the deconvolution divides by the sweep's level at f.
        """
        frequency = np.asarray(frequency_hz, dtype=float)
        return self.gain_at(frequency) / self.gain_at(frequency / order) ** order

    def lead_s(self, order: int) -> float:
        """How far the response of a distortion order leads the linear one, L ln n."""
        return self.rate_s * math.log(order)

    def time_of_s(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Time after the start of the sweep at which it passes a frequency."""
        return self.rate_s * np.log(np.asarray(frequency_hz, dtype=float) / self.start_hz)

    def frequency_at_hz(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Frequency that the sweep passes at a time after its start."""
        return self.start_hz * np.exp(np.asarray(time_s, dtype=float) / self.rate_s)


@lru_cache(maxsize=16)
def sweep_signal(sweep: Sweep) -> NDArray[np.float64]:
    """Return the samples of a sweep, shape (sample_count,), peak 1, read-only.

    Raised-cosine fades last 1/6 octave at the start and 1/24 octave at the end.
    """
    times = np.arange(sweep.sample_count) / sweep.sample_rate_hz
    rate = sweep.rate_s
    signal = np.sin(2 * np.pi * sweep.start_hz * rate * np.exp(times / rate))
    fade_in = rate * math.log(2) * FADE_IN_OCTAVES
    fade_out = rate * math.log(2) * FADE_OUT_OCTAVES
    signal *= raised_cosine(times / fade_in)
    signal *= raised_cosine((sweep.true_duration_s - times) / fade_out)
    if sweep.emphasis:
        signal *= sweep.gain_at(sweep.frequency_at_hz(times))
    signal.flags.writeable = False
    return signal


def raised_cosine(position: ArrayLike) -> NDArray[np.float64]:
    """Rise smoothly from 0 at position 0 to 1 at position 1, held outside."""
    place = np.asarray(position, dtype=float)
    rise: NDArray[np.float64] = np.where(place >= 1, 1.0, 0.0)
    between = (place > 0) & (place < 1)
    rise[between] = np.sin(np.pi / 2 * place[between]) ** 2
    return rise


@lru_cache(maxsize=8)
def sweep_spectrum(sweep: Sweep, length: int) -> NDArray[np.complex128]:
    """Return the DFT of the sweep padded to `length`, shape (length // 2 + 1,)."""
    import scipy.fft

    spectrum = scipy.fft.rfft(sweep_signal(sweep), length)
    spectrum.flags.writeable = False
    return np.asarray(spectrum)


def sweep_energy_density(sweep: Sweep, frequencies_hz: ArrayLike) -> NDArray[np.float64]:
    """Return |X(f)|^2 of the sweep at peak 1, continuous two-sided transform, s^2.

    Interpolated from the DFT; outside the band it falls steeply.
    """
    return np.asarray(np.interp(np.asarray(frequencies_hz, dtype=float), *_density(sweep)))


@lru_cache(maxsize=2)
def _density(sweep: Sweep) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies and |X(f)|^2 of the sweep on a grid of twice its length."""
    import scipy.fft

    length = scipy.fft.next_fast_len(2 * sweep.sample_count, real=True)
    grid = scipy.fft.rfftfreq(length, 1 / sweep.sample_rate_hz)
    return grid, np.abs(sweep_spectrum(sweep, length)) ** 2 / sweep.sample_rate_hz**2


def band_gain(sweep: Sweep, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain (0 to 1) that the deconvolution leaves at each frequency.

    1 in the valid band; beyond it a smooth ramp to zero at 0.6 of the start
    and 1.005 of the stop frequency, where the faded sweep still carries energy.
    """
    low, high = sweep.valid_band_hz
    bottom, top = sweep.start_hz * BELOW_BAND, sweep.top_hz
    rise = smooth_step((frequencies_hz - bottom) / (low - bottom))
    fall = smooth_step((top - frequencies_hz) / (top - high))
    return np.asarray(rise * fall)


def smooth_step(position: ArrayLike) -> NDArray[np.float64]:
    """Rise from 0 to 1 over positions 0 to 1 with flat ends, held outside.

    The integral of (p (1 - p))^3: three derivatives vanish at both ends, so that
    the ringing of a band edge dies quickly.
    """
    p = np.clip(np.asarray(position, dtype=float), 0, 1)
    return np.asarray(p**4 * (35 - 84 * p + 70 * p**2 - 20 * p**3))


@lru_cache(maxsize=8)
def inverse_spectrum(sweep: Sweep, length: int) -> NDArray[np.complex128]:
    """Return the regularised inverse of the sweep's DFT, shape (length // 2 + 1,).

    Exactly 1 / X in the valid band, zero outside the reach of `band_gain`.
    """
    import scipy.fft

    inverse: NDArray[np.complex128] = scipy.fft.rfft(sweep_signal(sweep), length)
    gain = band_gain(sweep, scipy.fft.rfftfreq(length, 1 / sweep.sample_rate_hz))
    np.divide(gain, inverse, out=inverse, where=gain > 0)
    inverse[gain == 0] = 0
    inverse.flags.writeable = False
    return inverse


def pre_time_s(sweep: Sweep) -> float:
    """How much of the response before time zero is kept.

    Six periods of the lowest frequency, for the ringing of the band edge, at
    least 50 ms, and at most 0.6 of the lead of the second order.
    """
    return min(max(0.05, 6 / sweep.start_hz), 0.6 * sweep.lead_s(2))
