"""Synchronized exponential sweeps and their exact inverse.

A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine: Theory, Application,
and Implementation", JAES 63(10), 786-798 (2015): because f1 L is an integer,
the sweep shifted ahead by L ln n *is* its own n-th harmonic, so distortion
separates into responses of its own that lead the linear one by L ln n.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.values import ImpulseResponse

FADE_IN_OCTAVES = 1 / 6
FADE_OUT_OCTAVES = 1 / 24
VALID_AFTER_OCTAVES = 1 / 4
VALID_BEFORE_OCTAVES = 1 / 12
BELOW_BAND = 0.6
ABOVE_BAND = 1.005
HIGHEST_ORDER = 5


@dataclass(frozen=True)
class Sweep:
    """An exponential sweep: x(t) = sin(2 pi f1 L exp(t / L)), faded at both ends.

    `duration_s` is the requested length; the true one follows from rounding
    f1 L to an integer (Novak et al. 2015, Eq. 49). Raises ValueError for a band
    that is empty or reaches beyond half the sample rate, and for a length in
    which not even one cycle per natural octave would fit.
    """

    start_hz: float
    stop_hz: float
    duration_s: float
    sample_rate_hz: float

    def __post_init__(self) -> None:
        if not 0 < self.start_hz < self.stop_hz <= self.sample_rate_hz / 2:
            raise ValueError(
                f"a sweep from {self.start_hz:g} to {self.stop_hz:g} Hz does not fit "
                f"a sample rate of {self.sample_rate_hz:g} Hz"
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
        """Where the recovered response is exact: a little inside the fades."""
        return (
            self.start_hz * 2**VALID_AFTER_OCTAVES,
            self.stop_hz * 2**-VALID_BEFORE_OCTAVES,
        )

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
    signal.flags.writeable = False
    return signal


def raised_cosine(position: ArrayLike) -> NDArray[np.float64]:
    """Rise smoothly from 0 at position 0 to 1 at position 1, held outside."""
    return np.sin(np.pi / 2 * np.clip(position, 0, 1)) ** 2


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
    import scipy.fft

    length = scipy.fft.next_fast_len(2 * sweep.sample_count, real=True)
    grid = scipy.fft.rfftfreq(length, 1 / sweep.sample_rate_hz)
    power = np.abs(sweep_spectrum(sweep, length)) ** 2 / sweep.sample_rate_hz**2
    return np.asarray(np.interp(np.asarray(frequencies_hz, dtype=float), grid, power))


def band_gain(
    sweep: Sweep, frequencies_hz: NDArray[np.float64], below: float = BELOW_BAND
) -> NDArray[np.float64]:
    """Gain (0 to 1) that the deconvolution leaves at each frequency.

    1 in the valid band; beyond it a smooth ramp to zero at `below` times the start
    and 1.005 of the stop frequency, where the faded sweep still carries energy.
    """
    low, high = sweep.valid_band_hz
    bottom = sweep.start_hz * below
    top = min(sweep.stop_hz * ABOVE_BAND, sweep.sample_rate_hz / 2)
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
def inverse_spectrum(
    sweep: Sweep, length: int, below: float = BELOW_BAND
) -> NDArray[np.complex128]:
    """Return the regularised inverse of the sweep's DFT, shape (length // 2 + 1,).

    Exactly 1 / X in the valid band, zero outside the reach of `band_gain`.
    """
    import scipy.fft

    spectrum = sweep_spectrum(sweep, length)
    gain = band_gain(sweep, scipy.fft.rfftfreq(length, 1 / sweep.sample_rate_hz), below)
    inverse = np.zeros_like(spectrum)
    inverse[gain > 0] = gain[gain > 0] / spectrum[gain > 0]
    inverse.flags.writeable = False
    return inverse


@dataclass(frozen=True, eq=False)
class Deconvolution:
    """What a recorded sweep says about the system that it passed.

    linear: the impulse response (..., n). harmonics: the responses of distortion
    orders 2, 3 ... (index 0 is order 2), time zero as for the linear one; only
    orders that fall into the swept band are there. Both per unit sweep amplitude
    (order n of a unit sine). valid_band_hz: where `linear` is exact.
    time_zero_s: where in the samples time zero was taken, shape (...,).
    """

    linear: ImpulseResponse
    harmonics: tuple[ImpulseResponse, ...]
    valid_band_hz: tuple[float, float]
    time_zero_s: NDArray[np.float64]


def deconvolve(
    samples: ArrayLike,
    sweep: Sweep,
    time_zero_s: ArrayLike | None = None,
    start_s: float = -0.3,
    tail_s: float = 1.0,
    highest_order: int = HIGHEST_ORDER,
    below: float = BELOW_BAND,
) -> Deconvolution:
    """Recover impulse responses from recordings of one sweep, shape (..., m).

    `time_zero_s` is the instant in `samples` at which the sweep would have begun
    with no delay at all, to any fraction of a sample; None takes the strongest
    point of each response as time zero. The responses run from `start_s` (at
    most zero) to `tail_s`; before the arrival a fade keeps only what the ringing
    of the band edge and early arrivals need (`pre_time_s`). `below`: where the
    ramp under the band ends, in parts of the start frequency (`steepest_edge` lets
    in the least of what others play there). In the valid band
    the error is below -75 dB of the response's energy (15 Hz sweep of 3 s;
    lower for higher bands) plus noise.
    """
    data = np.asarray(samples, dtype=float)
    if data.shape[-1] < sweep.sample_count:
        raise ValueError(f"{data.shape[-1]} samples cannot hold a sweep of {sweep.sample_count}")
    rows = data.reshape(-1, data.shape[-1])
    zeros: list[float | None] = [None] * len(rows)
    if time_zero_s is not None:
        zeros = np.broadcast_to(time_zero_s, data.shape[:-1]).ravel().tolist()
    windows = _windows(sweep, start_s, tail_s, highest_order)
    needed_s = -start_s + sweep.true_duration_s + tail_s
    found, pieces = [], []
    for row, zero_s in zip(rows, zeros, strict=True):
        circle, whole, found_s = _circle(row, sweep, zero_s, (-start_s, needed_s), below)
        found.append(found_s)
        pieces.append([window.cut(circle, whole) for window in windows])
    responses = [
        ImpulseResponse(
            np.stack([piece[place] for piece in pieces]).reshape(*data.shape[:-1], -1),
            sweep.sample_rate_hz,
            window.start_s,
        )
        for place, window in enumerate(windows)
    ]
    return Deconvolution(
        responses[0],
        tuple(responses[1:]),
        sweep.valid_band_hz,
        np.reshape(found, data.shape[:-1]),
    )


def pre_time_s(sweep: Sweep) -> float:
    """How much of the response before time zero is kept.

    Six periods of the lowest frequency, for the ringing of the band edge, at
    least 50 ms, and at most 0.6 of the lead of the second order.
    """
    return min(max(0.05, 6 / sweep.start_hz), 0.6 * sweep.lead_s(2))


def steepest_edge(sweep: Sweep) -> float:
    """The narrowest ramp under the band whose ringing fits the pre-time, for `below`."""
    low_in_starts = sweep.valid_band_hz[0] / sweep.start_hz
    narrowest = low_in_starts - 2.5 / (pre_time_s(sweep) * sweep.start_hz)
    return min(max(narrowest, BELOW_BAND), 0.95)


def _circle(
    row: NDArray[np.float64],
    sweep: Sweep,
    zero_s: float | None,
    stretch_s: tuple[float, float],
    below: float,
) -> tuple[NDArray[np.float64], int, float]:
    """The circular response of a row, the sample of it at time zero, and time zero in the row.

    With a known time zero only a stretch is looked at (from how long before it, how
    long in all); the rest of the recording holds nothing but noise.
    """
    import scipy.fft

    before_s, needed_s = stretch_s
    rate = sweep.sample_rate_hz
    begin, whole, fraction = 0, 0, 0.0
    if zero_s is not None:
        whole = math.floor(zero_s * rate)
        fraction = zero_s * rate - whole
        begin = max(0, whole - math.ceil(before_s * rate))
        row = row[begin : begin + math.ceil(needed_s * rate) + 1]
    length = scipy.fft.next_fast_len(max(row.size, sweep.sample_count), real=True)
    spectrum = scipy.fft.rfft(row, length)
    spectrum *= _turned_inverse(sweep, length, fraction, below)
    circle = scipy.fft.irfft(spectrum, length, overwrite_x=True)
    if zero_s is None:
        whole = int(np.argmax(np.abs(circle)))
        return circle, whole, whole / rate
    return circle, whole - begin, zero_s


@lru_cache(maxsize=2)
def _turned_inverse(
    sweep: Sweep, length: int, fraction: float, below: float
) -> NDArray[np.complex128]:
    """The inverse spectrum that also moves everything ahead by a fraction of a sample."""
    inverse = inverse_spectrum(sweep, length, below)
    if fraction == 0:
        return inverse
    return np.asarray(inverse * np.exp(2j * np.pi * fraction / length * np.arange(inverse.size)))


@dataclass(frozen=True, eq=False)
class _Window:
    """A stretch of the circular response: where it lies and how it is faded.

    `first`: its first sample on the circle; `start_s`: when that was after the
    window's own time zero; `gain`: the fade, one value per sample.
    """

    first: int
    start_s: float
    gain: NDArray[np.float64]

    def cut(self, circle: NDArray[np.float64], zero: int) -> NDArray[np.float64]:
        """Return the faded stretch of a circle whose time zero is at sample `zero`."""
        begin = (self.first + zero) % circle.size
        end = begin + self.gain.size
        if end <= circle.size:
            return np.asarray(circle[begin:end] * self.gain)
        places = np.arange(begin, end)
        return np.asarray(np.take(circle, places, mode="wrap") * self.gain)


@lru_cache(maxsize=8)
def _windows(
    sweep: Sweep, start_s: float, tail_s: float, highest_order: int
) -> tuple[_Window, ...]:
    """The windows of the linear response and of each distortion order."""
    rate = sweep.sample_rate_hz
    pre = pre_time_s(sweep)
    windows = [_window(rate, 0.0, start_s, tail_s, pre, 0.1 * tail_s)]
    room = sweep.lead_s(2) - pre
    for order in range(2, highest_order + 1):
        if order * sweep.start_hz >= sweep.stop_hz:
            break
        length = min(tail_s, max(room, 0.3 * sweep.lead_s(2)))
        windows.append(_window(rate, sweep.lead_s(order), -0.01, length, 0.01, 0.2 * length))
        room = sweep.lead_s(order + 1) - sweep.lead_s(order) - 0.01
    return tuple(windows)


def _window(
    rate: float, advance_s: float, start_s: float, stop_s: float, pre_s: float, fade_s: float
) -> _Window:
    advance = round(advance_s * rate)
    first, last = round(start_s * rate), round(stop_s * rate)
    times = np.arange(first, last) / rate
    kept_s = min(0.02, pre_s / 2)
    rise = raised_cosine((times + pre_s) / (pre_s - kept_s))
    gain = rise * raised_cosine((stop_s - times) / fade_s)
    return _Window(first - advance, (first - advance) / rate + advance_s, gain)
