"""Taking a recording of overlapping sweeps apart into what each of them caused.

Deconvolved by one of the sweeps, its own response stands in one place and all
others elsewhere. Each response is claimed where the packing keeps others away,
played through its sweep again and taken from the recording; what is left are
noise, disturbances, and what no response explains. The claims are narrower at
high frequencies, where responses end sooner: that is what lets a loud bass decay
while a tweeter already sounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.expected_room import Room
from roomtune.capture.noise import smoothed_density
from roomtune.capture.overlap import LOWER_REACH
from roomtune.signal.residue import soft_inverse
from roomtune.signal.sweeps import (
    BELOW_BAND,
    Sweep,
    pre_time_s,
    raised_cosine,
    smooth_step,
    sweep_spectrum,
)
from roomtune.signal.values import NoiseSpectrum

ROUNDS = 2
OPENING = 0.9
CLOSING = 0.3
BEFORE_ORDER_S = 0.05
BEFORE_PERIODS, BEFORE_LEAST_S = 15.0, 0.004
ORDER_STEPS = (2, 4, 8)
FILTERED_BELOW = 0.6
GIVING_WAY = 6.0
HIGHEST_OF_RATE = 0.48
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Voice:
    """A sweep in a recording: when it begins there (s), which output plays it.

    `orders`: the distortion orders that nothing else covers.
    """

    source: str
    sweep: Sweep
    zero_s: float
    orders: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Unmixed:
    """A recording (m,) taken apart: `residue` (m,) and, by voice, what it caused.

    claims: for each voice, a first sample and samples on the axis that is deconvolved
    by a sweep (sample 0 there is sample 0 of the recording), and that sweep.
    """

    residue: Floats
    voices: tuple[Voice, ...]
    claims: tuple[tuple[tuple[int, Floats, Sweep], ...], ...]

    def alone(self, number: int, begin: int, end: int) -> Floats:
        """What one voice caused, with the residue from its band up, samples begin to end."""
        import scipy.fft

        sweep = self.voices[number].sweep
        total = _above(_stretch(self.residue, begin, end), sweep)
        for first, samples, by in self.claims[number]:
            length = scipy.fft.next_fast_len(samples.size + by.sample_count, real=True)
            caused = scipy.fft.irfft(
                scipy.fft.rfft(samples, length) * sweep_spectrum(by, length), length
            )
            total += _stretch(caused, begin - first, end - first)
        return total


def unmix(
    samples: Floats, voices: Sequence[Voice], room: Room, noise: NoiseSpectrum | None = None
) -> Unmixed:
    """Take a recording (m,) of overlapping sweeps apart, linear responses first.

    Each step claims what the steps before left over, one order at a time: the
    windows of orders may overlap. The recording is at the
    player's clock, and every voice begins at about `zero_s` of it. With the noise
    known, nothing is claimed at the ends of a band where there is little else.
    """
    import scipy.fft

    lead = max((v.sweep.lead_s(max(v.orders)) for v in voices if v.orders), default=0.0) + 0.1
    rate = voices[0].sweep.sample_rate_hz
    length = scipy.fft.next_fast_len(samples.size + round(lead * rate), real=True)
    left = scipy.fft.rfft(samples, length)
    claims: list[list[tuple[int, Floats, Sweep]]] = [[] for _ in voices]
    higher = sorted({order for voice in voices for order in voice.orders})
    groups = {v.sweep: [n for n, w in enumerate(voices) if w.sweep == v.sweep] for v in voices}
    shares = {
        sweep: _noise_share(left, [voices[n] for n in numbers], room, noise, length)
        for sweep, numbers in groups.items()
    }
    for step in (1, *higher, *[1] * (ROUNDS - 1)):
        for sweep, those in groups.items():
            numbers = [n for n in those if step == 1 or step in voices[n].orders]
            if not numbers:
                continue
            by = carried_on(sweep, step)
            circle = scipy.fft.irfft(left * _inverse(by, shares[sweep], length), length)
            claimed = np.zeros(length)
            for number in numbers:
                first, piece = _claim(circle, voices[number], step, room)
                claims[number].append((first, piece, by))
                _add(claimed, first, piece)
            left -= scipy.fft.rfft(claimed, length) * sweep_spectrum(by, length)
    residue = scipy.fft.irfft(left, length)[: samples.size]
    return Unmixed(residue, tuple(voices), tuple(map(tuple, claims)))


def carried_on(sweep: Sweep, order: int) -> Sweep:
    """The sweep as its distortion of an order goes on: at the same rate to higher frequencies."""
    stop_hz = min(order * sweep.stop_hz, max(HIGHEST_OF_RATE * sweep.sample_rate_hz, sweep.stop_hz))
    duration_s = sweep.rate_s * float(np.log(stop_hz / sweep.start_hz))
    return replace(sweep, stop_hz=stop_hz, duration_s=duration_s) if order > 1 else sweep


def _noise_share(
    recorded: NDArray[np.complex128],
    voices: Sequence[Voice],
    room: Room,
    noise: NoiseSpectrum | None,
    length: int,
) -> Floats | None:
    """Energy of a sweep that the noise in a claim amounts to, over frequency: N / |H|^2.

    N is six times the energy of the noise in a claim, and |H|^2 the mean of the
    weakest response over its band.
    """
    import scipy.fft

    if noise is None:
        return None
    sweep = voices[0].sweep
    rate = sweep.sample_rate_hz
    frequencies = scipy.fft.rfftfreq(length, 1 / rate)
    inside = (frequencies > sweep.start_hz) & (frequencies < sweep.stop_hz)
    circle = scipy.fft.irfft(np.where(inside, recorded * soft_inverse(sweep, length), 0), length)
    pieces = [_claim(circle, voice, 1, room)[1] for voice in voices]
    mean = min(float(np.sum(piece**2)) for piece in pieces) * length / (2 * inside.sum())
    heard = GIVING_WAY * smoothed_density(noise, frequencies) * rate * pieces[0].size
    return np.asarray(heard / (mean + 1e-30))


def _inverse(sweep: Sweep, share: Floats | None, length: int) -> NDArray[np.complex128]:
    """The inverse of a sweep, giving way where noise prevails (Wiener): X* / (|X|^2 + share)."""
    inverse = soft_inverse(sweep, length)
    if share is None:
        return inverse
    energy = np.abs(sweep_spectrum(sweep, length)) ** 2
    return np.asarray(inverse * (energy / (energy + share + 1e-30)))


def _claim(circle: Floats, voice: Voice, order: int, room: Room) -> tuple[int, Floats]:
    """The stretch of the circular response that belongs to an order of a voice.

    All bands of a linear response open at one time, so that what their filters ring ahead
    of the arrival still adds up. Those of distortion, far weaker, open the later the higher
    they are: until then what sounds there is somebody's decay.
    """
    rate, start_hz = voice.sweep.sample_rate_hz, order * voice.sweep.start_hz
    zero_s = voice.zero_s - voice.sweep.lead_s(order)
    below_db = room.distortion_of_db(voice.source) if order > 1 else 0.0
    steps_hz = [start_hz * ratio for ratio in ORDER_STEPS] if order > 1 else []
    edges_hz = tuple(sorted(e for e in {*room.edges_hz, *steps_hz} if e > start_hz))
    lengths_s = [room.length_s(low / LOWER_REACH, below_db) for low in (start_hz, *edges_hz)]
    befores_s = [_before_s(voice.sweep, order, low_hz) for low_hz in (start_hz, *edges_hz)]
    first, last = round((zero_s - befores_s[0]) * rate), round((zero_s + lengths_s[0]) * rate)
    piece = np.take(circle, np.arange(first, last), mode="wrap")
    times = np.arange(first, last) / rate - zero_s
    parts = [
        part
        * raised_cosine((length_s - times) / (CLOSING * length_s))
        * raised_cosine((times + before_s) / (OPENING * before_s))
        for part, length_s, before_s in zip(
            _split(piece, rate, edges_hz), lengths_s, befores_s, strict=True
        )
    ]
    return first, np.sum(parts, axis=0)


def _before_s(sweep: Sweep, order: int, low_hz: float) -> float:
    """How long before its arrival a part of a response, from a frequency up, may ring."""
    if order == 1:
        return pre_time_s(sweep)
    return min(BEFORE_ORDER_S, BEFORE_PERIODS / low_hz + BEFORE_LEAST_S)


def _split(piece: Floats, rate: float, edges_hz: tuple[float, ...]) -> list[Floats]:
    """Parts of a response that add up to it, each beginning softly at its edge."""
    import scipy.fft

    if not edges_hz:
        return [piece]
    length = scipy.fft.next_fast_len(piece.size, real=True)
    spectrum = scipy.fft.rfft(piece, length)
    rises = _rises(length, rate, edges_hz)
    weights = [low - high for low, high in pairwise(rises)]
    return [scipy.fft.irfft(spectrum * weight, length)[: piece.size] for weight in weights]


@lru_cache(maxsize=4)
def _rises(length: int, rate: float, edges_hz: tuple[float, ...]) -> list[Floats]:
    """All, then what each edge leaves, then nothing: (edges + 2) gains over frequency."""
    import scipy.fft

    octaves = np.log2(np.maximum(scipy.fft.rfftfreq(length, 1 / rate), 1e-3))
    soft = np.log2(LOWER_REACH)
    rises = [smooth_step((octaves - np.log2(edge)) / soft) for edge in edges_hz]
    return [np.ones_like(octaves), *rises, np.zeros_like(octaves)]


def _above(samples: Floats, sweep: Sweep) -> Floats:
    """What lies in a sweep's band or above: nothing below reaches its response."""
    import scipy.fft

    length = scipy.fft.next_fast_len(samples.size, real=True)
    reach = BELOW_BAND * sweep.start_hz
    grid = scipy.fft.rfftfreq(length, 1 / sweep.sample_rate_hz)
    gain = smooth_step((grid - FILTERED_BELOW * reach) / ((1 - FILTERED_BELOW) * reach))
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(samples, length) * gain, length))[
        : samples.size
    ]


def _stretch(samples: Floats, begin: int, end: int) -> Floats:
    """Samples begin to end, zeros where there are none."""
    found = np.zeros(end - begin)
    low, high = max(begin, 0), min(end, samples.size)
    if low < high:
        found[low - begin : high - begin] = samples[low:high]
    return found


def _add(circle: Floats, first: int, piece: Floats) -> None:
    places = np.arange(first, first + piece.size) % circle.size
    circle[places] += piece
