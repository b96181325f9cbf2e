"""What a room and its drivers are expected to do, from cautious guesses or earlier takes.

Packing sweeps needs to know how long responses last, how strongly drivers
distort and how loud they are beside each other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.distortion import measure_distortion
from roomtune.capture.take import Take
from roomtune.signal.decibels import power
from roomtune.signal.deconvolution import Deconvolution
from roomtune.signal.sweeps import sweep_energy_density

OCTAVES_HZ = 1000 * 2.0 ** np.arange(-6, 5)
MARGIN_S = 0.012
SHORTEST_DECAY_S = 0.15
DECAY_MARGIN = 1.15
DISTORTION_MARGIN_DB = 6.0
LEAST_DISTORTION_DB = -50.0
HIGHEST_STEP = 7
USUAL_DISTORTION_DB = -40.0
LARGEST_SURPLUS_DB = 30.0
FIT_DB = (-5.0, -30.0)


@dataclass(frozen=True)
class Room:
    """What the packing assumes of room and drivers.

    `decays`: pairs of a frequency (Hz, rising) and the longest reverberation time
    (60 dB, s) from there up to the next; the first holds below it too.
    `distortion_db`: by output, how far its distortion orders stay under its linear
    response; `other_distortion_db` for all others. Orders above `highest_order`
    are taken for negligible. `levels_db`: by output, its level at the microphone
    in the octaves `OCTAVES_HZ`, for a digital full scale, any common reference,
    -inf where it plays nothing. `quiet_db`: how far down a response is over.
    """

    decays: tuple[tuple[float, float], ...]
    other_distortion_db: float = USUAL_DISTORTION_DB
    highest_order: int = 3
    quiet_db: float = 79.0
    distortion_db: tuple[tuple[str, float], ...] = ()
    levels_db: tuple[tuple[str, tuple[float, ...]], ...] = ()

    @property
    def edges_hz(self) -> tuple[float, ...]:
        """Where a shorter decay begins."""
        return tuple(frequency for frequency, _ in self.decays[1:])

    def decay_above_s(self, frequency_hz: float) -> float:
        """The longest reverberation time at or above a frequency."""
        later = [decay for low, decay in self.decays if low > frequency_hz]
        here = [decay for low, decay in self.decays if low <= frequency_hz]
        return max([*later, here[-1] if here else self.decays[0][1]])

    def length_s(self, frequency_hz: float, below_db: float = 0.0) -> float:
        """How long what starts `below_db` (negative) stays above the quiet, from there up."""
        above_db = max(self.quiet_db + below_db, 0.0)
        return self.decay_above_s(frequency_hz) * above_db / 60 + MARGIN_S

    def distortion_of_db(self, source: str) -> float:
        """How far the distortion of an output stays under its linear response."""
        return dict(self.distortion_db).get(source, self.other_distortion_db)

    def surplus_db(
        self, source: tuple[str, float], victim: tuple[str, float], band_hz: tuple[float, float]
    ) -> float:
        """How much louder one output arrives than another in a band, at least zero.

        Each is given by its name and the level (dB re full scale) that it plays.
        Where nothing is known of one, only what they play counts.
        """
        played_db = source[1] - victim[1]
        known = dict(self.levels_db)
        mine, theirs = known.get(source[0]), known.get(victim[0])
        if mine is None or theirs is None:
            return max(played_db, 0.0)
        root = np.sqrt(2)
        inside = (OCTAVES_HZ * root > band_hz[0]) & (band_hz[1] * root > OCTAVES_HZ)
        more = [m - t for m, t, i in zip(mine, theirs, inside, strict=True) if i and t > -np.inf]
        return float(np.clip(max(more, default=0.0) + played_db, 0.0, LARGEST_SURPLUS_DB))


CAUTIOUS_ROOM = Room(
    decays=((20.0, 1.4), (90.0, 1.1), (180.0, 0.9), (360.0, 0.8)), other_distortion_db=-30.0
)


def even_room(decay_s: float, distortion_db: float = USUAL_DISTORTION_DB) -> Room:
    """A room of one reverberation time at all frequencies."""
    return Room(((20.0, decay_s),), distortion_db)


def expected_room(takes: Iterable[Take]) -> Room:
    """What takes made one by one, at any seats, say of room and drivers.

    The longest decay found in each octave, with 15 % to spare; the strongest
    distortion of each output, 6 dB to spare, where its harmonics were kept; its
    mean level in each octave. What they do not tell is as in `CAUTIOUS_ROOM`.
    """
    known = [take for take in takes if take.kind == "output" and take.verdict.grade != "repeat"]
    if not known:
        return CAUTIOUS_ROOM
    decays = np.array([octave_decays_s(take) for take in known])
    distortion: dict[str, float] = {}
    levels: dict[str, list[NDArray[np.float64]]] = {}
    for take in known:
        levels.setdefault(take.source, []).append(octave_levels_db(take))
        if take.harmonics:
            worst = max(distortion.get(take.source, -np.inf), strongest_distortion_db(take))
            distortion[take.source] = worst
    return Room(
        decays=_steps(decays),
        other_distortion_db=max([USUAL_DISTORTION_DB + 10, *distortion.values()]),
        distortion_db=tuple(distortion.items()),
        levels_db=tuple((name, tuple(np.mean(r, axis=0).tolist())) for name, r in levels.items()),
    )


def _steps(decays: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
    """Decays (takes, octaves), nan where unknown, as falling steps over frequency.

    Unknown octaves above known ones decay like those, unknown ones below as in
    `CAUTIOUS_ROOM`.
    """
    longest = np.max(np.nan_to_num(decays, nan=0.0), axis=0) * DECAY_MARGIN
    lowest = int(np.argmax(longest > 0))
    for place in range(lowest if longest.any() else OCTAVES_HZ.size):
        longest[place] = CAUTIOUS_ROOM.decay_above_s(float(OCTAVES_HZ[place]))
    longest = np.maximum(longest, SHORTEST_DECAY_S)
    falling = np.maximum.accumulate(longest[::-1])[::-1]
    steps = [(float(OCTAVES_HZ[0] / np.sqrt(2)), float(falling[0]))]
    for centre, decay in zip(OCTAVES_HZ[1:HIGHEST_STEP], falling[1:HIGHEST_STEP], strict=True):
        if decay < 0.9 * steps[-1][1]:
            steps.append((float(centre / np.sqrt(2)), float(decay)))
    return tuple(steps)


def octave_decays_s(take: Take) -> NDArray[np.float64]:
    """Reverberation time in the octaves of `OCTAVES_HZ`, shape (11,), nan where unknown.

    Backward integration (Schroeder 1965) of what an octave filter of soft slopes
    lets through, less the noise; a line from -5 to -30 dB. Unknown outside the
    valid band and where the noise comes too soon.
    """
    import scipy.fft

    samples = take.impulse_response.samples
    length = scipy.fft.next_fast_len(samples.size, real=True)
    spectrum = scipy.fft.rfft(samples, length)
    found = np.full(OCTAVES_HZ.size, np.nan)
    low, high = take.stimulus.valid_band_hz
    for place, centre in enumerate(OCTAVES_HZ):
        if centre / np.sqrt(2) >= 0.9 * low and centre * np.sqrt(2) <= 1.05 * high:
            part = _octave(spectrum, length, take.impulse_response.sample_rate_hz, float(centre))
            found[place] = _decay_s(take, part[: samples.size] ** 2, float(centre))
    return found


def _decay_s(take: Take, energy: NDArray[np.float64], centre_hz: float) -> float:
    """Reverberation time from the squared response of an octave (n,); nan where unknown."""
    response = take.impulse_response
    times = response.times_s
    last_s = 0.85 * times[-1]
    late = (times > 0.75 * times[-1]) & (times < last_s)
    energy = energy[times < last_s]
    floor = min(float(np.mean(energy[late[: energy.size]])), _noise_floor(take, centre_hz))
    left = np.cumsum((energy - floor)[::-1])[::-1]
    if left[0] <= 0:
        return float("nan")
    level = 10 * np.log10(np.maximum(left / left[0], 1e-12))
    begin, end = (int(np.argmax(level <= limit)) for limit in FIT_DB)
    heard = floor * energy.size < 10 ** (FIT_DB[1] / 10) * 0.5 * left[0]
    if end <= begin or not heard:
        return float("nan")
    slope = np.polyfit(np.arange(begin, end), level[begin:end], 1)[0] * response.sample_rate_hz
    return float(-60 / slope) if slope < 0 else float("nan")


def _noise_floor(take: Take, centre_hz: float) -> float:
    """Mean square of the noise in an octave of the response."""
    grid = np.linspace(centre_hz / np.sqrt(2), centre_hz * np.sqrt(2), 20)
    energy = sweep_energy_density(take.stimulus, grid) * power(take.level_dbfs)
    rate = take.impulse_response.sample_rate_hz
    density = take.noise.at(grid) / np.maximum(energy, 1e-30) / rate**2
    return float(np.mean(density) * 2 * (grid[-1] - grid[0]))


def _octave(
    spectrum: NDArray[np.complex128], length: int, rate: float, centre_hz: float
) -> NDArray[np.float64]:
    """What an octave lets through, (length,): raised cosine over two octaves of log frequency."""
    import scipy.fft

    grid = np.maximum(scipy.fft.rfftfreq(length, 1 / rate), 1e-3)
    away = np.clip(np.log2(grid / centre_hz), -1, 1)
    gain = np.cos(np.pi / 2 * away) ** 2
    return np.asarray(scipy.fft.irfft(spectrum * gain, length))


def octave_levels_db(take: Take) -> NDArray[np.float64]:
    """Mean level of the response in the octaves of `OCTAVES_HZ`, (11,), -inf outside its band."""
    spectrum = take.impulse_response.response()
    low, high = take.stimulus.start_hz, take.stimulus.stop_hz
    levels = np.full(OCTAVES_HZ.size, -np.inf)
    for place, centre in enumerate(OCTAVES_HZ):
        edges = max(centre / np.sqrt(2), low), min(centre * np.sqrt(2), high)
        inside = (spectrum.frequencies_hz >= edges[0]) & (spectrum.frequencies_hz <= edges[1])
        if inside.any():
            mean = float(np.mean(np.abs(spectrum.values[inside]) ** 2))
            levels[place] = 10 * np.log10(mean + 1e-30)
    return levels


def strongest_distortion_db(take: Take) -> float:
    """The strongest of orders 2 and 3 in any octave, under the fundamental, with 6 dB to spare."""
    response = Deconvolution(
        take.impulse_response, take.harmonics, take.stimulus.valid_band_hz, np.zeros(())
    )
    found = measure_distortion(response, take.stimulus, take.level_dbfs, take.noise)
    ratio = float(max(np.max(found.second), np.max(found.third)))
    margin_db = 20 * float(np.log10(ratio + 1e-9)) + DISTORTION_MARGIN_DB
    return max(margin_db, LEAST_DISTORTION_DB)
