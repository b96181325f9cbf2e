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

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.expected_room import Room
from roomtune.capture.overlap import LOWER_REACH, before_arrival_s
from roomtune.signal.residue import soft_inverse
from roomtune.signal.sweeps import Sweep, raised_cosine, smooth_step, sweep_spectrum

ROUNDS = 2
OPENING_S = 0.015
CLOSING = 0.15
BEFORE_ORDER_S = 0.02
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
        """What one voice caused, with the whole residue, samples begin to end."""
        import scipy.fft

        sweep = self.voices[number].sweep
        total = _stretch(self.residue, begin, end)
        for first, samples in self.claims[number]:
            length = scipy.fft.next_fast_len(samples.size + sweep.sample_count, real=True)
            caused = scipy.fft.irfft(
                scipy.fft.rfft(samples, length) * sweep_spectrum(sweep, length), length
            )
            total += _stretch(caused, begin - first, end - first)
        return total


def unmix(samples: Floats, voices: Sequence[Voice], room: Room) -> Unmixed:
    """Take a recording (m,) of overlapping sweeps apart, linear responses first.

    Each round claims what the rounds before left over. The recording is at the
    player's clock, and every voice begins at about `zero_s` of it.
    """
    import scipy.fft

    lead = max((v.sweep.lead_s(max(v.orders)) for v in voices if v.orders), default=0.0) + 0.1
    rate = voices[0].sweep.sample_rate_hz
    length = scipy.fft.next_fast_len(samples.size + round(lead * rate), real=True)
    left = scipy.fft.rfft(samples, length)
    claims: list[dict[int, Floats]] = [{} for _ in voices]
    steps = [(1,)] * ROUNDS
    steps.insert(1, tuple(sorted({n for v in voices for n in v.orders})))
    for orders in steps:
        for sweep in dict.fromkeys(voice.sweep for voice in voices):
            circle = scipy.fft.irfft(left * soft_inverse(sweep, length), length)
            claimed = np.zeros(length)
            for number, voice in enumerate(voices):
                if voice.sweep != sweep:
                    continue
                for order in orders:
                    if order == 1 or order in voice.orders:
                        first, piece = _claim(circle, voice, order, room)
                        claims[number][first] = claims[number].get(first, 0) + piece
                        _add(claimed, first, piece)
            left -= scipy.fft.rfft(claimed, length) * sweep_spectrum(sweep, length)
    residue = scipy.fft.irfft(left, length)[: samples.size]
    return Unmixed(residue, tuple(voices), tuple(tuple(item.items()) for item in claims))


def _claim(circle: Floats, voice: Voice, order: int, room: Room) -> tuple[int, Floats]:
    """The stretch of the circular response that belongs to an order of a voice."""
    rate, sweep = voice.sweep.sample_rate_hz, voice.sweep
    zero_s = voice.zero_s - sweep.lead_s(order)
    bands = _bands(order * sweep.start_hz, room)
    spans = [_span_s(low_hz, voice, order, room) for low_hz, _ in bands]
    first = round((zero_s - max(before for before, _ in spans)) * rate)
    last = round((zero_s + max(after for _, after in spans)) * rate)
    piece = np.take(circle, np.arange(first, last), mode="wrap")
    times = np.arange(first, last) / rate - zero_s
    parts = _split(piece, rate, tuple(edge for _, edge in bands[1:]))
    gained = [
        part
        * raised_cosine((times + before) / OPENING_S)
        * raised_cosine((after - times) / (CLOSING * after))
        for part, (before, after) in zip(parts, spans, strict=True)
    ]
    return first, np.sum(gained, axis=0)


def _bands(start_hz: float, room: Room) -> list[tuple[float, float]]:
    """Bands of one length each: lowest frequency that they hold, and edge where they begin."""
    edges = [edge for edge in room.edges_hz if edge > start_hz]
    return [(start_hz / LOWER_REACH, 0.0), *((edge, edge) for edge in edges)]


def _span_s(low_hz: float, voice: Voice, order: int, room: Room) -> tuple[float, float]:
    """How long before and after its place an order of a voice is claimed, from there up."""
    if order == 1:
        return before_arrival_s(voice.sweep, low_hz), room.length_s(low_hz)
    return BEFORE_ORDER_S, room.length_s(low_hz, room.distortion_of_db(voice.source))


def _split(piece: Floats, rate: float, edges_hz: tuple[float, ...]) -> list[Floats]:
    """Parts of a response that add up to it, each beginning softly at its edge."""
    import scipy.fft

    if not edges_hz:
        return [piece]
    length = scipy.fft.next_fast_len(piece.size, real=True)
    spectrum = scipy.fft.rfft(piece, length)
    rises = _rises(length, rate, edges_hz)
    weights = [low - high for low, high in zip(rises[:-1], rises[1:], strict=True)]
    return [scipy.fft.irfft(spectrum * weight, length)[: piece.size] for weight in weights]


@lru_cache(maxsize=4)
def _rises(length: int, rate: float, edges_hz: tuple[float, ...]) -> list[Floats]:
    """All, then what each edge leaves, then nothing: (edges + 2) gains over frequency."""
    import scipy.fft

    octaves = np.log2(np.maximum(scipy.fft.rfftfreq(length, 1 / rate), 1e-3))
    soft = np.log2(LOWER_REACH)
    rises = [smooth_step((octaves - np.log2(edge)) / soft) for edge in edges_hz]
    return [np.ones_like(octaves), *rises, np.zeros_like(octaves)]


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
