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
from dataclasses import dataclass
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
FILTERED_BELOW = 0.6
GIVING_WAY = 6.0
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

    claims: for each voice, pairs of a first sample and samples on its deconvolved
    axis (sample 0 there is sample 0 of the recording).
    """

    residue: Floats
    voices: tuple[Voice, ...]
    claims: tuple[tuple[tuple[int, Floats], ...], ...]

    def alone(self, number: int, begin: int, end: int) -> Floats:
        """What one voice caused, with the residue from its band up, samples begin to end."""
        import scipy.fft

        sweep = self.voices[number].sweep
        total = _above(_stretch(self.residue, begin, end), sweep)
        for first, samples in self.claims[number]:
            length = scipy.fft.next_fast_len(samples.size + sweep.sample_count, real=True)
            caused = scipy.fft.irfft(
                scipy.fft.rfft(samples, length) * sweep_spectrum(sweep, length), length
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
    claims: list[dict[int, Floats]] = [{} for _ in voices]
    higher = sorted({order for voice in voices for order in voice.orders})
    groups = {v.sweep: [n for n, w in enumerate(voices) if w.sweep == v.sweep] for v in voices}
    inverses = {
        sweep: _inverse(left, [voices[n] for n in numbers], room, noise, length)
        for sweep, numbers in groups.items()
    }
    for step in (1, *higher, *[1] * (ROUNDS - 1)):
        for sweep, numbers in groups.items():
            circle = scipy.fft.irfft(left * inverses[sweep], length)
            claimed = np.zeros(length)
            for number in numbers:
                if step == 1 or step in voices[number].orders:
                    first, piece = _claim(circle, voices[number], step, room)
                    claims[number][first] = claims[number].get(first, 0) + piece
                    _add(claimed, first, piece)
            left -= scipy.fft.rfft(claimed, length) * sweep_spectrum(sweep, length)
    residue = scipy.fft.irfft(left, length)[: samples.size]
    return Unmixed(residue, tuple(voices), tuple(tuple(item.items()) for item in claims))


def _inverse(
    recorded: NDArray[np.complex128],
    voices: Sequence[Voice],
    room: Room,
    noise: NoiseSpectrum | None,
    length: int,
) -> NDArray[np.complex128]:
    """The inverse of a sweep that several voices share, giving way where noise prevails.

    Wiener's: X* / (|X|^2 + N / |H|^2), with N six times the energy of the noise in a claim
    and |H|^2 the mean of the weakest response over its band.
    """
    import scipy.fft

    sweep = voices[0].sweep
    inverse = soft_inverse(sweep, length)
    if noise is None:
        return inverse
    rate = sweep.sample_rate_hz
    frequencies = scipy.fft.rfftfreq(length, 1 / rate)
    inside = (frequencies > sweep.start_hz) & (frequencies < sweep.stop_hz)
    circle = scipy.fft.irfft(np.where(inside, recorded * inverse, 0), length)
    pieces = [_claim(circle, voice, 1, room)[1] for voice in voices]
    mean = min(float(np.sum(piece**2)) for piece in pieces) * length / (2 * inside.sum())
    heard = GIVING_WAY * smoothed_density(noise, frequencies) * rate * pieces[0].size
    energy = np.abs(sweep_spectrum(sweep, length)) ** 2
    return np.asarray(inverse * (energy / (energy + heard / (mean + 1e-30) + 1e-30)))


def _claim(circle: Floats, voice: Voice, order: int, room: Room) -> tuple[int, Floats]:
    """The stretch of the circular response that belongs to an order of a voice.

    All bands open at one time, so that what their filters ring ahead of the arrival
    still adds up.
    """
    rate, sweep = voice.sweep.sample_rate_hz, voice.sweep
    zero_s = voice.zero_s - sweep.lead_s(order)
    before_s = pre_time_s(sweep) if order == 1 else BEFORE_ORDER_S
    below_db = room.distortion_of_db(voice.source) if order > 1 else 0.0
    edges_hz = tuple(edge for edge in room.edges_hz if edge > order * sweep.start_hz)
    lowest_hz = (order * sweep.start_hz / LOWER_REACH, *edges_hz)
    lengths_s = [room.length_s(low_hz, below_db) for low_hz in lowest_hz]
    first, last = round((zero_s - before_s) * rate), round((zero_s + lengths_s[0]) * rate)
    piece = np.take(circle, np.arange(first, last), mode="wrap")
    times = np.arange(first, last) / rate - zero_s
    parts = [
        part * raised_cosine((length_s - times) / (CLOSING * length_s))
        for part, length_s in zip(_split(piece, rate, edges_hz), lengths_s, strict=True)
    ]
    return first, np.sum(parts, axis=0) * raised_cosine((times + before_s) / (OPENING * before_s))


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
