"""How good a set of channel responses is, in a few numbers.

All levels are third-octave levels (IEC 61260-1) of the steady state:
channel levels 500 Hz to 2 kHz at the main seat; arrivals at the main seat;
left against right per third from 100 Hz to 8 kHz at the main seat; deviation
of the seat average (power, by the seats' weights) from the target, 40 Hz to
16 kHz, with one level fitted per channel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.sounds import channel_arrivals_s
from roomtune.advisor.target import target_db
from roomtune.signal.bands import band_levels_db, third_octave_centres_hz
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.system.model import System

LEVEL_BAND_HZ = (500.0, 2000.0)
MATCH_BAND_HZ = (100.0, 8000.0)
DEVIATION_BAND_HZ = (40.0, 16000.0)
DEEPEST_DB = 40.0


@dataclass(frozen=True, eq=False)
class Scores:
    """Figures of merit of the main channels (LFE is left out of all of them).

    `match_db[pair]` holds left minus right per third of `match_hz`;
    `deviation_db` is the rms over thirds and channels of the seat average's
    deviation from the target, `channel_deviations_db` the same per channel.
    """

    channels: tuple[str, ...]
    channel_levels_db: NDArray[np.float64]
    arrivals_ms: NDArray[np.float64]
    match_hz: NDArray[np.float64]
    match_db: dict[tuple[str, str], NDArray[np.float64]]
    channel_deviations_db: NDArray[np.float64]

    @property
    def level_spread_db(self) -> float:
        """Loudest minus quietest main channel."""
        return _spread(self.channel_levels_db)

    @property
    def arrival_spread_ms(self) -> float:
        """Latest minus earliest arrival of the main channels."""
        return _spread(self.arrivals_ms)

    @property
    def left_right_mismatch_db(self) -> float:
        """Largest difference of the front pair in any third; 0 without such a pair."""
        front = next(iter(self.match_db.values()), np.zeros(1))
        return float(np.max(np.abs(front)))

    @property
    def deviation_db(self) -> float:
        """Root mean square of the channels' deviations from the target."""
        if not len(self.channel_deviations_db):
            return 0.0
        return float(np.sqrt(np.mean(self.channel_deviations_db**2)))

    def __str__(self) -> str:
        return (
            f"levels within {self.level_spread_db:.2f} dB, arrivals within "
            f"{self.arrival_spread_ms:.3f} ms, left/right within "
            f"{self.left_right_mismatch_db:.2f} dB, {self.deviation_db:.2f} dB off the target"
        )


def main_channels(system: System) -> tuple[str, ...]:
    """Names of the channels that are not low-frequency effects."""
    return tuple(channel.name for channel in system.channels if channel.kind == "main")


def channel_pairs(system: System) -> tuple[tuple[str, str], ...]:
    """Left and right channels that belong together, front pair first.

    By name: L and R, Ls and Rs, and so on (the letters of ITU-R BS.775).
    """
    names = [name for name in main_channels(system) if system.loudspeaker_of(name)]
    pairs = [(n, "R" + n[1:]) for n in names if n[0] == "L" and "R" + n[1:] in names]
    return tuple(sorted(pairs, key=lambda pair: (pair[0] != "L", names.index(pair[0]))))


def scores(
    system: System,
    channels: Sequence[str],
    seats: Sequence[str],
    responses: ImpulseResponse | FrequencyResponse,
    arrivals: ImpulseResponse | None = None,
) -> Scores:
    """Judge channel responses (channels, seats, n or k).

    Arrivals are taken from `responses` when they are impulse responses, else
    from `arrivals`; without either they are NaN. Raises ValueError when the
    system's main seat is not among the seats.
    """
    mains = [index for index, name in enumerate(channels) if name in main_channels(system)]
    times = responses if isinstance(responses, ImpulseResponse) else arrivals
    spectrum = responses.response() if isinstance(responses, ImpulseResponse) else responses
    seat = main_index(system, seats)
    names = tuple(channels[index] for index in mains)
    chosen = spectrum[mains]
    match_hz = third_octave_centres_hz(*MATCH_BAND_HZ)
    at_main = band_levels_db(chosen[:, seat], match_hz)
    match = {
        pair: at_main[names.index(pair[0])] - at_main[names.index(pair[1])]
        for pair in channel_pairs(system)
        if set(pair) <= set(names)
    }
    return Scores(
        names,
        channel_level_db(chosen[:, seat]),
        channel_arrivals_ms(times, mains, seat),
        match_hz,
        match,
        target_deviation_db(system, seats, chosen),
    )


def main_index(system: System, seats: Sequence[str]) -> int:
    """Place of the main seat among `seats`; ValueError when it is missing."""
    name = system.main_seat.name
    if name not in seats:
        raise ValueError(f"the main seat {name!r} is not among {list(seats)}")
    return list(seats).index(name)


def channel_level_db(responses: FrequencyResponse) -> NDArray[np.float64]:
    """Mean third-octave power from 500 Hz to 2 kHz, dB, leading shape of `responses`."""
    levels = band_levels_db(responses, third_octave_centres_hz(*LEVEL_BAND_HZ))
    return 10 * np.log10(np.mean(10 ** (levels / 10), axis=-1))


def channel_arrivals_ms(
    responses: ImpulseResponse | None, mains: Sequence[int], seat: int
) -> NDArray[np.float64]:
    """Arrival of each main channel at a seat, judged in the treble."""
    if responses is None:
        return np.full(len(mains), np.nan)
    return 1000 * channel_arrivals_s(responses[list(mains), seat])


def seat_weights(system: System, seats: Sequence[str]) -> NDArray[np.float64]:
    """Weights of the seats, summing to 1; equal ones when all are zero."""
    weights = np.array([system.seat(name).weight for name in seats], dtype=float)
    if not weights.sum() > 0:
        weights = np.ones(len(seats))
    return weights / weights.sum()


def seat_average_db(
    system: System,
    seats: Sequence[str],
    responses: FrequencyResponse,
    centres_hz: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Weighted power average over the seats of third-octave levels, (channels, bands)."""
    powers = 10 ** (band_levels_db(responses, centres_hz) / 10)
    weights = seat_weights(system, seats)
    return 10 * np.log10(np.einsum("s,csb->cb", weights, powers))


def target_deviation_db(
    system: System, seats: Sequence[str], responses: FrequencyResponse
) -> NDArray[np.float64]:
    """Deviation of each channel's seat average from the target, rms in dB, (channels,).

    A third that lies more than 40 dB under the strongest counts as that deep.
    """
    centres = third_octave_centres_hz(*DEVIATION_BAND_HZ)
    level = seat_average_db(system, seats, responses, centres)
    error = apart_from_level_db(level - target_db(system, centres))
    return np.asarray(np.sqrt(np.mean(error**2, axis=-1)))


def apart_from_level_db(error_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Errors (..., bands) with one level fitted to each row, none deeper than 40 dB counted."""
    error = np.maximum(error_db, error_db.max(axis=-1, keepdims=True) - DEEPEST_DB)
    return np.asarray(error - error.mean(axis=-1, keepdims=True))


def _spread(values: NDArray[np.float64]) -> float:
    return float(np.max(values) - np.min(values)) if len(values) else 0.0
