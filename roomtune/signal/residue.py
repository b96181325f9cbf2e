"""What a recorded sweep leaves unexplained: noise, clicks, cuts.

A system that is linear (or weakly distorting) and does not change explains a
recording by its impulse responses. Playing the sweep through those responses
again and subtracting leaves the rest, at the instant at which it happened.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from roomtune.signal.sweeps import (
    HIGHEST_ORDER,
    Sweep,
    pre_time_s,
    raised_cosine,
    sweep_spectrum,
)

BEFORE_ORDER_S = 0.02
AFTER_ORDER_S = 0.15
CAUSAL_RISE_S = 0.001


def unwrapped_length(count: int, sweep: Sweep) -> int:
    """FFT length for `count` samples at which nothing late wraps into the distortion orders."""
    import scipy.fft

    lead = sweep.lead_s(HIGHEST_ORDER) + BEFORE_ORDER_S
    return int(scipy.fft.next_fast_len(count + round(lead * sweep.sample_rate_hz), real=True))


def residue_spectrum(
    samples: NDArray[np.float64], sweep: Sweep, time_zero_s: float, tail_s: float, length: int
) -> NDArray[np.complex128]:
    """Return the DFT (of `length`) of what the responses do not explain.

    `samples` (m,) with m <= length hold one sweep that began at `time_zero_s`.
    The linear response is kept from its pre-time to `tail_s`, each distortion
    order for 0.15 s. For a clean recording the residue is the noise, less the
    share that those windows absorb, plus about -80 dB of the sweep.
    """
    import scipy.fft

    spectrum = scipy.fft.rfft(samples, length)
    circle = scipy.fft.irfft(spectrum * soft_inverse(sweep, length), length)
    circle *= _kept(sweep, time_zero_s, tail_s, length)
    explained = scipy.fft.rfft(circle, length) * sweep_spectrum(sweep, length)
    return np.asarray(spectrum - explained)


def causal_residue(
    samples: NDArray[np.float64],
    sweep: Sweep,
    time_zero_s: float,
    arrival_s: float,
    tail_s: float,
) -> NDArray[np.float64]:
    """Return what a response from the arrival on does not explain, (m,), in the swept band.

    As `residue_spectrum`, but the linear response is kept only from 1.5 ms before
    `arrival_s` (s after the start of the samples).
    """
    import scipy.fft

    rate = sweep.sample_rate_hz
    length = unwrapped_length(samples.size, sweep)
    spectrum = scipy.fft.rfft(samples, length)
    circle = scipy.fft.irfft(spectrum * soft_inverse(sweep, length), length)
    kept = _kept(sweep, time_zero_s, tail_s, length)
    first = round((time_zero_s - pre_time_s(sweep) - BEFORE_ORDER_S) * rate)
    places = np.arange(first, round(arrival_s * rate))
    kept[places % length] *= raised_cosine((places / rate - arrival_s) / CAUSAL_RISE_S + 2.5)
    explained = scipy.fft.rfft(circle * kept, length) * sweep_spectrum(sweep, length)
    frequencies = scipy.fft.rfftfreq(length, 1 / rate)
    low, high = sweep.valid_band_hz
    band = raised_cosine((frequencies - sweep.start_hz) / (low - sweep.start_hz))
    band *= raised_cosine((sweep.stop_hz - frequencies) / (sweep.stop_hz - high))
    return np.asarray(scipy.fft.irfft((spectrum - explained) * band, length)[: samples.size])


@lru_cache(maxsize=8)
def soft_inverse(sweep: Sweep, length: int) -> NDArray[np.complex128]:
    """Return the inverse of the sweep's DFT that fades out where the sweep is 40 dB down.

    The edges of the band, which the measured response leaves out, are explained
    too; what this inverse amplifies there is multiplied by the sweep again.
    """
    spectrum = sweep_spectrum(sweep, length)
    energy = np.abs(spectrum) ** 2
    inverse = np.conj(spectrum) / (energy + 1e-8 * float(energy.max()))
    inverse.flags.writeable = False
    return np.asarray(inverse)


def _kept(sweep: Sweep, time_zero_s: float, tail_s: float, length: int) -> NDArray[np.float64]:
    """Gain of the circular response: 1 where linear response or harmonics lie."""
    rate = sweep.sample_rate_hz
    gain = np.zeros(length)
    _open(gain, time_zero_s - pre_time_s(sweep), time_zero_s + tail_s, rate, 0.3 * tail_s)
    for order in range(2, HIGHEST_ORDER + 1):
        if order * sweep.start_hz >= sweep.stop_hz:
            break
        begin = time_zero_s - sweep.lead_s(order)
        _open(gain, begin - BEFORE_ORDER_S, begin + AFTER_ORDER_S, rate, 0.05)
    return gain


def _open(
    gain: NDArray[np.float64], begin_s: float, end_s: float, rate: float, fade_s: float
) -> None:
    """Open a window on the circle; it opens in 15 ms and closes in `fade_s`.

    Closing slowly keeps the amplified noise outside the band from leaking in.
    """
    places = np.arange(round(begin_s * rate), round(end_s * rate))
    times = places / rate
    soft = raised_cosine((times - begin_s) / 0.015) * raised_cosine((end_s - times) / fade_s)
    wrapped = places % gain.size
    gain[wrapped] = np.maximum(gain[wrapped], soft)
