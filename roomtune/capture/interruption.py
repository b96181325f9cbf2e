"""Moments at which the sweep was not played, or was drowned, though time went on.

A block of silence in the sweep looks like a notch in the response: a linear
explanation, but not a causal one. The notch's impulse response reaches as far before
the arrival as after it, and no room answers before it is asked. So the recording is
explained once more by what comes after the arrival only; what then stays unexplained
stands out at the moment of the gap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.noise import smoothed_density
from roomtune.signal.residue import causal_residue
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum

FRAMES = ((0.005, 55.0), (0.02, 100.0))
NEIGHBOURHOOD_S = 0.15
FLOOR_DB = -65.0
BESIDE = 1.3
ONSET = 0.01
ONSET_SMOOTHED_S = 0.0005
START_OCTAVES, STOP_OCTAVES = 1 / 2, 1 / 6
START_S, STOP_S = 0.15, 0.03


def find_interruption(
    samples: NDArray[np.float64],
    sweep: Sweep,
    time_zero_s: float,
    response: ImpulseResponse,
    tail_s: float,
    noise: NoiseSpectrum,
) -> float | None:
    """Return when the clearest gap in a recorded sweep (m,) is, s after its start; None without.

    Frames of 5 ms (20 ms) count whose unexplained energy around the frequency that the
    sweep passes is 55 (100) times that of the noise, 65 dB under the sweep, and the
    0.15 s on either side (median) together; clean takes stay under 40 (60). The first
    half octave of the sweep (0.15 s at least) and the last sixth (0.03 s) are left out:
    there the edges of the band ring before the arrival too. Of gaps from 64 samples up
    95 in 100 are found, save where a subwoofer hardly moves in that time, and sounds of
    the very pitch that the sweep has.
    """
    arrival_s = time_zero_s + _onset_s(response)
    residue = causal_residue(samples, sweep, time_zero_s, arrival_s, tail_s)
    begin = max(0, round(time_zero_s * sweep.sample_rate_hz))
    swept = samples[begin : begin + sweep.sample_count]
    floor = 10 ** (FLOOR_DB / 10) * float(np.mean(swept**2))
    found = [_clearest(residue, sweep, time_zero_s, frame_s, noise, floor) for frame_s, _ in FRAMES]
    ratios = [excess / least for (excess, _), (_, least) in zip(found, FRAMES, strict=True)]
    clearest = int(np.argmax(ratios))
    return found[clearest][1] if ratios[clearest] >= 1 else None


def _clearest(
    residue: NDArray[np.float64],
    sweep: Sweep,
    time_zero_s: float,
    frame_s: float,
    noise: NoiseSpectrum,
    floor: float,
) -> tuple[float, float]:
    """The highest energy of a frame over what is usual around it, and when that is.

    Only frequencies within `BESIDE` of the one that the sweep passes count.
    """
    import scipy.fft
    from scipy.ndimage import median_filter

    rate = sweep.sample_rate_hz
    size = round(frame_s * rate)
    hop = size // 2
    frames = np.lib.stride_tricks.sliding_window_view(residue, size)[::hop]
    times_s = np.asarray((np.arange(len(frames)) * hop + size / 2) / rate, dtype=np.float64)
    taper = np.hanning(size)
    power = 2 * np.abs(scipy.fft.rfft(frames * taper)) ** 2 / (size * np.sum(taper**2))
    frequencies = scipy.fft.rfftfreq(size, 1 / rate)
    into_s = np.clip(times_s - time_zero_s, 0, sweep.true_duration_s)
    passing_hz = sweep.frequency_at_hz(into_s)[:, None]
    reach_hz = 1.5 / frame_s
    beside = (frequencies > passing_hz / BESIDE - reach_hz) & (
        frequencies < passing_hz * BESIDE + reach_hz
    )
    energy = np.sum(power * beside, axis=1)
    silent = 2 * smoothed_density(noise, frequencies) * rate / size
    usual = median_filter(energy, 2 * round(NEIGHBOURHOOD_S / (hop / rate)) + 1)
    excess = energy / (usual + beside @ silent + floor + 1e-300)
    excess[~_inside(times_s - time_zero_s, sweep)] = 0
    top = int(np.argmax(excess))
    return float(excess[top]), float(times_s[top])


def _onset_s(response: ImpulseResponse) -> float:
    """When the energy of a response, smoothed over 0.5 ms, first reaches 1 % of its highest."""
    from scipy.ndimage import uniform_filter1d

    size = max(3, round(ONSET_SMOOTHED_S * response.sample_rate_hz))
    energy = uniform_filter1d(response.samples**2, size)
    return float(response.times_s[np.argmax(energy > ONSET * energy.max())])


def _inside(into_s: NDArray[np.float64], sweep: Sweep) -> NDArray[np.bool_]:
    """Which moments of a sweep lie far enough from the edges of its band."""
    octave_s = sweep.rate_s * float(np.log(2))
    first_s = max(START_OCTAVES * octave_s, START_S)
    last_s = sweep.true_duration_s - max(STOP_OCTAVES * octave_s, STOP_S)
    return np.asarray((into_s > first_s) & (into_s < last_s))
