"""What differs between two rounds of measurement, as plain arrays, output by output.

Direct sound and what the room adds are told apart by time: the first
milliseconds after the arrival cannot know of a curtain or a sofa behind the
seat, but know where the loudspeaker is and how loud it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.session.likeness import likeness
from roomtune.signal.bands import (
    band_edges_hz,
    band_levels_db,
    mean_over_bands,
    third_octave_centres_hz,
)
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

BASS_BELOW_HZ = 220.0
DIRECT_ABOVE_HZ = 500.0
DIRECT_S = (0.0015, 0.004)
ALIKE = 0.8
LATE_S = (0.025, 0.150)
Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Differences:
    """Second minus first, per output and seat.

    level_db, uncertainty_db, judged: (outputs, seats, bands) at centres_hz;
    direct_db: (outputs, seats, bands) of the direct sound alone, NaN below
    1 kHz; delay_s: (outputs, seats), how much later the direct sound is;
    late_db: (outputs, seats), change of what arrives 25 to 150 ms later;
    sure_s: (outputs,) how exactly the delay is known. polarity (outputs, seats):
    -1 where the sound is turned over, 0 where that cannot be told;
    polarity_sure: how alike both are, 0 to 1. absolute: whether delay_s has no unknown
    offset, because both rounds were timed by a loopback.
    """

    outputs: tuple[str, ...]
    seats: tuple[str, ...]
    centres_hz: Real
    level_db: Real
    uncertainty_db: Real
    judged: NDArray[np.bool_]
    direct_db: Real
    delay_s: Real
    late_db: Real
    sure_s: Real
    polarity: Real
    polarity_sure: Real
    absolute: bool = False


def differences(first: Measured, second: Measured) -> Differences:
    """Compare what both rounds measured: their common outputs and seats.

    Raises ValueError when they have none or their sample rates differ.
    """
    outputs = tuple(o for o in first.outputs if o in second.outputs)
    seats = tuple(s for s in first.seats if s in second.seats)
    if not outputs or not seats:
        raise ValueError("the two rounds have no output and seat in common")
    if first.responses.sample_rate_hz != second.responses.sample_rate_hz:
        raise ValueError("the two rounds have different sample rates")
    centres = third_octave_centres_hz(20.0, 16000.0)
    pair = [_Round(m, outputs, seats, centres) for m in (first, second)]
    level = pair[1].level_db - pair[0].level_db
    uncertainty = np.hypot(pair[0].uncertainty_db, pair[1].uncertainty_db)
    heard = pair[0].level_db > np.nanmax(pair[0].level_db, axis=-1, keepdims=True) - 25
    judged = heard & (uncertainty < 2.0) & pair[0].inside[:, None] & pair[1].inside[:, None]
    delays = np.array(
        [[_delay(pair, o, s) for s in range(len(seats))] for o in range(len(outputs))]
    )
    direct = np.array([[_direct_db(pair, o, s, centres) for s in range(len(seats))]
                       for o in range(len(outputs))])  # fmt: skip
    late = np.array([[_late_db(pair, o, s) for s in range(len(seats))]
                     for o in range(len(outputs))])  # fmt: skip
    return Differences(
        outputs, seats, centres, level, uncertainty, judged, direct, delays[..., 0], late,
        delays[..., 1].max(axis=1), delays[..., 2], delays[..., 3],
        first.absolute and second.absolute,
    )  # fmt: skip


class _Round:
    """One round's common part, with its bands worked out."""

    def __init__(
        self, measured: Measured, outputs: tuple[str, ...], seats: tuple[str, ...], centres: Real
    ) -> None:
        rows = [measured.outputs.index(o) for o in outputs]
        columns = [measured.seats.index(s) for s in seats]
        grid = np.ix_(rows, columns)
        self.responses = measured.responses
        self.samples = measured.responses.samples[grid]
        self.bands_hz = measured.bands_hz[rows]
        spectrum = measured.spectrum
        self.frequencies_hz = spectrum.frequencies_hz
        self.values = spectrum.values[grid]
        response = FrequencyResponse(self.frequencies_hz[1:], self.values[..., 1:])
        self.level_db = band_levels_db(response, centres)
        noise = measured.deviation_at(centres)[grid]
        ratio = noise / np.maximum(10 ** (self.level_db / 20), 1e-300)
        self.uncertainty_db = 20 / np.log(10) * ratio / np.sqrt(2)
        edges = band_edges_hz(centres)
        self.inside = (edges[:, 0] >= self.bands_hz[:, :1]) & (edges[:, 1] <= self.bands_hz[:, 1:])
        self.rate = measured.responses.sample_rate_hz

    @cached_property
    def onsets(self) -> NDArray[np.int_]:
        """Sample at which the direct sound peaks, (outputs, seats)."""
        from roomtune.analysis.onset import band_envelope, first_peak

        rows = [
            [first_peak(band_envelope(samples, self.rate, (low, min(high, 0.45 * self.rate))))
             for samples in row]
            for row, (low, high) in zip(self.samples, self.bands_hz, strict=True)
        ]  # fmt: skip
        return np.array(rows, dtype=int)

    def window(self, output: int, seat: int, start_s: float, stop_s: float) -> Real:
        """Samples from start to stop after the arrival, with soft edges, the rest zero."""
        samples = self.samples[output, seat]
        times = (np.arange(len(samples)) - self.onsets[output, seat]) / self.rate
        rise = np.clip((times - start_s) / 0.0005, 0, 1)
        fall = np.clip((stop_s - times) / 0.0015, 0, 1)
        shape = np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2
        return np.asarray(samples * shape, dtype=float)


def _delay(pair: list[_Round], output: int, seat: int) -> tuple[float, float, int, float]:
    """How much later the second direct sound is (s of the common reference), how sure
    that is, the polarity of one to the other (0: cannot be told), and how alike they are.
    """
    low, high = pair[0].bands_hz[output]
    starts = [p.responses.start_s for p in pair]
    if high < 2 * DIRECT_ABOVE_HZ:
        return (*_fitted_delay(pair, output, seat), *_bass_polarity(pair, output, seat))
    windows = [p.window(output, seat, -DIRECT_S[0], DIRECT_S[1]) for p in pair]
    length = max(map(len, windows)) + int(0.01 * pair[0].rate)
    responses = [ImpulseResponse(w, pair[0].rate).response(length) for w in windows]
    frequencies = responses[0].frequencies_hz
    inside = (frequencies >= max(low, DIRECT_ABOVE_HZ)) & (frequencies <= high)
    found = likeness(responses[0].values, responses[1].values, frequencies, inside * 1.0)
    polarity = found.polarity if found.likeness > ALIKE else 0
    if found.likeness < ALIKE:
        return (*_fitted_delay(pair, output, seat), polarity, found.likeness)
    later = found.delay_s + starts[1] - starts[0]
    return later, 0.02 / min(high, 12e3), polarity, found.likeness


def _bass_polarity(pair: list[_Round], output: int, seat: int) -> tuple[int, float]:
    """Polarity of a subwoofer's whole response; 0 where the room changed too much to tell."""
    frequencies = pair[0].frequencies_hz
    low, high = pair[0].bands_hz[output]
    values = [np.interp(frequencies, p.frequencies_hz, p.values[output, seat]) for p in pair]
    inside = (frequencies >= low) & (frequencies <= high)
    found = likeness(values[0], values[1], frequencies, inside * 1.0)
    return (found.polarity if found.likeness > ALIKE else 0), found.likeness


def _fitted_delay(pair: list[_Round], output: int, seat: int) -> tuple[float, float]:
    """By fits of both direct sounds: for subwoofers, and where reflections outweigh the rest."""
    from roomtune.analysis.arrival import arrival

    found = [
        arrival(
            ImpulseResponse(p.samples[output, seat], p.rate, p.responses.start_s),
            (float(p.bands_hz[output][0]), float(p.bands_hz[output][1])),
            finely=False,
        )
        for p in pair
    ]
    later = float(found[1].time_s - found[0].time_s)
    sure = float(np.hypot(found[0].uncertainty_s, found[1].uncertainty_s))
    return (later, sure) if np.isfinite(later) else (0.0, 1.0)


def _direct_db(pair: list[_Round], output: int, seat: int, centres: Real) -> Real:
    levels = []
    for one in pair:
        window = one.window(output, seat, -DIRECT_S[0], DIRECT_S[1])
        response = ImpulseResponse(window, one.rate).response()
        levels.append(
            band_levels_db(
                FrequencyResponse(response.frequencies_hz[1:], response.values[1:]), centres
            )
        )
    usable = (centres > 1000.0) & pair[0].inside[output] & pair[1].inside[output]
    return np.where(usable, levels[1] - levels[0], np.nan)


def _late_db(pair: list[_Round], output: int, seat: int) -> float:
    """Change of the late energy from 300 Hz up; NaN for outputs that do not play there."""
    low, high = max(pair[0].bands_hz[output][0], 300.0), min(pair[0].bands_hz[output][1], 8000.0)
    if high < 2 * low:
        return float("nan")
    powers = []
    for one in pair:
        response = ImpulseResponse(one.window(output, seat, *LATE_S), one.rate).response()
        power = np.abs(response.values[1:]) ** 2
        powers.append(
            mean_over_bands(response.frequencies_hz[1:], power, np.array([[low, high]]))[0]
        )
    return float(10 * np.log10(max(powers[1], 1e-300) / max(powers[0], 1e-300)))
