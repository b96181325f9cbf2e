"""Impulsive disturbance: what happened once during a sweep, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.noise import smoothed_density
from roomtune.signal.residue import residue_spectrum, unwrapped_length
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import NoiseSpectrum

FRAMES_S = (0.01, 0.08)
NEIGHBOURHOOD_S = 0.3
LEAST = 3.0
SCATTER = 12.0
FLOOR_DB = -70.0
WEAKEST_DB = -45.0
SWEPT = (0.8, 8.0)
BESIDE, BEGINNING = 1.25, 1.5


@dataclass(frozen=True)
class Burst:
    """A disturbance: when after the start of the samples, for how long, how strong.

    `strength_db`: its power against the mean power of the recorded sweep.
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
    others: Sequence[tuple[Sweep, float]] = (),
) -> tuple[Burst, ...]:
    """Find disturbances in a recorded sweep (m,), strongest first.

    `others`: sweeps that sounded meanwhile, and when each began in the samples (s). Their
    responses are no longer there, but what the edge of their band leaves while they
    begin, next to the frequency that they pass, is no disturbance.

    The residue of the responses is whitened with the noise's own spectrum and
    looked at in frames of 10 and 80 ms, leaving out the frequencies from 0.8 to 8
    times the one that the sweep passes: whatever distorts, distorts there. A frame
    counts when it holds 3 times its neighbourhood of 0.3 s on either side (median)
    and the noise, more where few frequencies are left; what stays 45 dB under
    the recorded sweep does no harm and is left out.
    """
    import scipy.fft

    rate = sweep.sample_rate_hz
    length = unwrapped_length(samples.size, sweep)
    spectrum = residue_spectrum(samples, sweep, time_zero_s, tail_s, length)
    frequencies = scipy.fft.rfftfreq(length, 1 / rate)
    floor = 10 ** (FLOOR_DB / 10) * float(np.mean(samples**2)) / rate
    density = smoothed_density(noise, frequencies) + floor
    white = scipy.fft.irfft(spectrum / np.sqrt(density * rate), length)[: samples.size]
    frames = [_excess(white, sweep, time_zero_s, span_s, others) for span_s in FRAMES_S]
    if all(np.max(excess) < 1 for excess in frames):
        return ()
    residue = scipy.fft.irfft(spectrum, length)[: samples.size]
    begin = max(0, round(time_zero_s * rate))
    swept = samples[begin : begin + sweep.sample_count]
    usual = float(np.mean(swept**2)) + 1e-30
    found = [
        burst
        for span_s, excess in zip(FRAMES_S, frames, strict=True)
        for burst in _bursts(excess, span_s, residue, usual, rate)
    ]
    return _merged(found)


def _excess(
    white: NDArray[np.float64],
    sweep: Sweep,
    time_zero_s: float,
    span_s: float,
    others: Sequence[tuple[Sweep, float]],
) -> NDArray[np.float64]:
    """Energy of every frame beside the sweep over what is allowed there; > 1 counts."""
    import scipy.fft
    from scipy.ndimage import median_filter

    size = round(span_s * sweep.sample_rate_hz)
    count = white.size // size
    taper = np.hanning(size)
    pieces = white[: count * size].reshape(count, size) * taper
    power = np.abs(scipy.fft.rfft(pieces, axis=1)) ** 2 / np.sum(taper**2)
    frequencies = scipy.fft.rfftfreq(size, 1 / sweep.sample_rate_hz)
    begin = np.asarray(np.arange(count) * span_s, dtype=np.float64)
    lowest, highest = _passed(sweep, time_zero_s, begin, span_s)
    beside = frequencies < SWEPT[0] * lowest - 1 / span_s
    beside |= frequencies > SWEPT[1] * highest
    for other, zero_s in others:
        lowest, highest = _passed(other, zero_s, begin, span_s)
        begun_s = zero_s + float(other.time_of_s(BEGINNING * other.start_hz))
        elsewhere = (begin + 2 * span_s < zero_s) | (begin - span_s > begun_s)
        beside &= (
            elsewhere[:, None]
            | (frequencies < lowest / BESIDE - 1 / span_s)
            | (frequencies > highest * BESIDE + 1 / span_s)
        )
    beside &= (frequencies > 0) & (frequencies < 0.45 * sweep.sample_rate_hz)
    bins = beside.sum(axis=1)
    energy = (power * beside).sum(axis=1) / np.maximum(bins, 1)
    reach = max(3, round(NEIGHBOURHOOD_S / span_s))
    usual = np.maximum(median_filter(energy, size=2 * reach + 1, mode="nearest"), 1.0)
    allowed = np.maximum(LEAST, 1 + SCATTER / np.sqrt(np.maximum(bins, 1)))
    return np.asarray(np.where(bins > 0, energy / (usual * allowed), 0.0))


def _passed(
    sweep: Sweep, zero_s: float, begin_s: NDArray[np.float64], span_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest frequency (frames, 1) that a sweep passes in each frame or beside it."""
    length_s = sweep.true_duration_s
    low, high = (
        sweep.frequency_at_hz(np.clip(begin_s + at * span_s - zero_s, 0, length_s))[:, None]
        for at in (-1, 2)
    )
    return low, high


def _bursts(
    excess: NDArray[np.float64],
    span_s: float,
    residue: NDArray[np.float64],
    usual: float,
    rate: float,
) -> list[Burst]:
    """The groups of frames that exceed, with their strength against the usual power."""
    size = round(span_s * rate)
    bursts = []
    for begin, end in _groups(excess > 1):
        frames = residue[begin * size : end * size].reshape(-1, size)
        strength_db = 10 * float(np.log10(np.max(np.mean(frames**2, axis=1)) / usual + 1e-12))
        if strength_db >= WEAKEST_DB:
            time_s = (begin + int(np.argmax(excess[begin:end])) + 0.5) * span_s
            bursts.append(Burst(time_s, (end - begin) * span_s, strength_db))
    return bursts


def _groups(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true values, joined over gaps of up to three frames."""
    places = np.flatnonzero(flags)
    if places.size == 0:
        return []
    splits = np.flatnonzero(np.diff(places) > 4) + 1
    return [(int(group[0]), int(group[-1]) + 1) for group in np.split(places, splits)]


def _merged(bursts: list[Burst]) -> tuple[Burst, ...]:
    """Strongest first; what overlaps a stronger one is left out."""
    kept: list[Burst] = []
    for burst in sorted(bursts, key=lambda item: -item.strength_db):
        apart = [
            abs(burst.time_s - other.time_s) > 0.1 + (burst.duration_s + other.duration_s) / 2
            for other in kept
        ]
        if all(apart):
            kept.append(burst)
    return tuple(kept)
