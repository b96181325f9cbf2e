"""The bass of responses at a low sample rate, its decays unbent.

A room's bass is a sum of decaying sinusoids from the moment the direct sound
has arrived. A filter without delay would smear what comes before into the decays
for as long as it rings. So the low pass is a causal one (elliptic, after W.
Cauer): it adds decaying sinusoids of its own, which are known, and lets the fit
begin at once. Only where the played band of a response begins, a wide rise
without delay hides the edge, whose long ringing is not the room's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.common_poles import decaying
from roomtune.signal.values import ImpulseResponse

_BEYOND = 1.08  # edge of the low pass over the end of the band
_RATE = 2.24  # sample rate over that edge
_ORDER, _RIPPLE_DB, _STOP_DB = 10, 0.05, 70.0
_RISE_OCTAVES = 1.0
_SILENT = 0.1  # of the rise: below it a response tells nothing
_LONGEST_S, _SHORTEST_S = 1.6, 0.3


@dataclass(frozen=True, eq=False)
class Bass:
    """Signals (c, n) from a common start, and what was done to them.

    start_s: time of the first sample; known (n, k): orthonormal columns that
    span the low pass's own decays; edge_hz: of the low pass; lowest_hz (c,):
    where each signal begins to tell something.
    """

    signals: NDArray[np.float64]
    start_s: float
    rate_hz: float
    known: NDArray[np.float64]
    edge_hz: float
    lowest_hz: NDArray[np.float64]

    def gain(self, turn: NDArray[np.float64], loss: NDArray[np.float64]) -> NDArray[np.complex128]:
        """What was made of poles (m,) per sample, (c, m); not for those that are not `told`."""
        rise = np.where(self.told(turn), self._rise(turn), 1.0)
        return rise * _low_pass(self.edge_hz, (1j * turn - loss) * self.rate_hz)

    def told(self, turn: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which signals tell something at angles (m,) per sample, (c, m)."""
        return np.asarray(self._rise(turn) >= _SILENT)

    def _rise(self, turn: NDArray[np.float64]) -> NDArray[np.float64]:
        return _rise(turn * self.rate_hz / (2 * np.pi), self.lowest_hz)


def bass_of(
    response: ImpulseResponse,
    highest_hz: float,
    lowest_hz: NDArray[np.float64],
    from_s: float,
) -> Bass:
    """The responses (..., n) up to `highest_hz`, from `from_s` on.

    lowest_hz (...,): where each response's band begins; it tells nothing there
    and all from an octave above on. Raises ValueError when less than 0.3 s
    are left.
    """
    import scipy.fft

    rows = response.samples.reshape(-1, response.samples.shape[-1])
    count, given_hz = rows.shape[-1], response.sample_rate_hz
    length = scipy.fft.next_fast_len(2 * count, real=True)
    edge = _BEYOND * highest_hz
    bins = 2 * round(_RATE * edge * length / given_hz / 2)
    rate = bins * given_hz / length
    frequencies = scipy.fft.rfftfreq(length, 1 / given_hz)
    spectrum = scipy.fft.rfft(rows, length) * _low_pass(edge, 2j * np.pi * frequencies)
    spectrum *= _rise(frequencies, lowest_hz.ravel())
    small = scipy.fft.irfft(_folded(spectrum, bins), bins) * bins / length
    first = max(int(np.ceil((from_s - response.start_s) * rate)), 0)
    last = min(first + int(_LONGEST_S * rate), int(count / given_hz * rate) - 8)
    if last - first < _SHORTEST_S * rate:
        raise ValueError(f"modes need at least {_SHORTEST_S} s of response after the arrival")
    _, poles, _ = _prototype()
    own = poles[poles.imag > 0] * 2 * np.pi * edge / rate
    known = np.asarray(np.linalg.qr(decaying(own.imag, -own.real, last - first))[0])
    start = response.start_s + first / rate
    return Bass(small[:, first:last], start, rate, known, edge, lowest_hz.ravel())


def _folded(spectrum: NDArray[np.complex128], bins: int) -> NDArray[np.complex128]:
    """The half spectrum of every so-manieth sample: what lies beyond is folded back."""
    half = bins // 2
    small = spectrum[:, : half + 1].copy()
    beyond = spectrum[:, half + 1 : 2 * half + 1]
    small[:, half - beyond.shape[1] : half] += beyond[:, ::-1].conj()
    return small


def _rise(
    frequencies_hz: NDArray[np.float64], lowest_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """From 0 at each lowest frequency (c,) to 1 an octave above: (c, k)."""
    octaves = np.log2(np.maximum(frequencies_hz, 1e-6) / lowest_hz[:, None])
    half = np.sin(np.pi / 2 * np.clip(octaves / _RISE_OCTAVES, 0, 1)) ** 2
    return np.asarray(np.sin(np.pi / 2 * half) ** 2)


@cache
def _prototype() -> tuple[NDArray[np.complex128], NDArray[np.complex128], float]:
    from scipy.signal import ellip

    zeros, poles, gain = ellip(_ORDER, _RIPPLE_DB, _STOP_DB, 1.0, analog=True, output="zpk")
    return zeros, poles, float(gain)


def _low_pass(edge_hz: float, s: NDArray[np.complexfloating]) -> NDArray[np.complex128]:
    zeros, poles, gain = _prototype()
    x = s / (2 * np.pi * edge_hz)
    return np.asarray(
        gain * np.prod(x[:, None] - zeros, axis=1) / np.prod(x[:, None] - poles, axis=1)
    )
