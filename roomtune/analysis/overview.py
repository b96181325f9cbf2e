"""What the responses of a room say at a glance: every output, and the room itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.arrival import Arrival, arrival
from roomtune.analysis.averages import seat_average, seat_weights
from roomtune.analysis.decay import Decay, decay
from roomtune.analysis.direct_sound import direct_sounds
from roomtune.analysis.levels import band_level_db
from roomtune.analysis.modes import Modes, fit_modes
from roomtune.analysis.operating_band import working_range_hz
from roomtune.analysis.polarity import Polarity
from roomtune.analysis.rooms import (
    RoomMode,
    Size,
    name_modes,
    noticed_decay_s,
    schroeder_frequency_hz,
)
from roomtune.signal.bands import band_edges_hz, octave_centres_hz
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

BASS_HZ = 120.0
MIDDLE_HZ = (500.0, 1000.0)
_LOWEST_RESPONSES_MODES_HZ = 60.0


@dataclass(frozen=True, eq=False)
class OutputView:
    """One output at all seats, judged within the band it was played in.

    arrival, polarity: single values, at the main seat; level_db (seats,): mean in
    the band; range_hz: where the seat average stays within 10 dB of its usual
    level; decay: of the octaves 500 Hz and 1 kHz at the main seat, None where
    neither fits the band.
    """

    band_hz: tuple[float, float]
    arrival: Arrival
    polarity: Polarity
    level_db: NDArray[np.float64]
    range_hz: tuple[float, float]
    decay: Decay | None


@dataclass(frozen=True, eq=False)
class RoomView:
    """The room itself: its modes and where they begin to overlap.

    modes: None when no output plays low enough or the responses are too short,
    else their levels are (len(low_outputs), seats, m); low_outputs: places of
    the outputs that tell of modes; names: of a rectangular room's modes, where
    its size is known; lasting (m,): which modes decay slower than listeners
    notice; decay_s: mean T20 of the octaves 500 Hz and 1 kHz (NaN where it
    cannot be stated); schroeder_hz: NaN without size or decay.
    """

    modes: Modes | None
    low_outputs: tuple[int, ...]
    names: tuple[RoomMode | None, ...]
    lasting: NDArray[np.bool_]
    decay_s: float
    schroeder_hz: float


def view_output(
    responses: ImpulseResponse,
    band_hz: tuple[float, float],
    weights: ArrayLike | None = None,
    main_seat: int = 0,
    spectrum: FrequencyResponse | None = None,
) -> OutputView:
    """Judge one output's responses (seats, n); `spectrum` (seats, k) where known already."""
    seat_weights(weights, responses.samples.shape[0])
    main = responses[main_seat]
    found = direct_sounds(main, band_hz, finely=True)
    time_s = found.time_s + main.start_s
    whole = responses.response() if spectrum is None else spectrum
    low, high = working_range_hz(seat_average(whole, weights), band_hz)
    return OutputView(
        band_hz,
        Arrival(time_s, found.uncertainty_s),
        Polarity(found.sign, found.confidence),
        band_level_db(whole, band_hz),
        (float(low), float(high)),
        middle_decay(main, band_hz, float(time_s)),
    )


def view_room(
    responses: ImpulseResponse,
    bands_hz: ArrayLike,
    decays: tuple[Decay | None, ...] = (),
    size_m: Size | None = None,
    arrivals_s: ArrayLike | None = None,
) -> RoomView:
    """Judge the room from all responses (outputs, seats, n); bands_hz: (outputs, 2).

    Only outputs that play below 60 Hz tell of modes. `arrivals_s` (outputs, seats): when
    the direct sound arrives, fitted where it is not given; an error of some ms
    hardly changes the modes' frequencies and decays, only their levels.
    """
    bands = np.asarray(bands_hz, dtype=float)
    low = np.flatnonzero((bands[:, 0] < _LOWEST_RESPONSES_MODES_HZ) & (bands[:, 1] > BASS_HZ))
    modes = None
    if len(low):
        floor = max(15.0, float(np.min(bands[low, 0])))
        if arrivals_s is None:
            found = np.array(
                [arrival(responses[i], tuple(bands[i]), finely=False).time_s for i in low]
            )
        else:
            found = np.asarray(arrivals_s, dtype=float)[low]
        try:
            modes = fit_modes(
                responses[low],
                (floor, BASS_HZ),
                np.nan_to_num(found),
                lowest_hz=bands[low, :1],
            )
        except ValueError:
            modes = None
    names: tuple[RoomMode | None, ...] = ()
    if modes is not None and size_m is not None:
        names = name_modes(modes.frequencies_hz, size_m)
    lasting = np.zeros(0, dtype=bool)
    if modes is not None:
        lasting = np.asarray(modes.decay_s > noticed_decay_s(modes.frequencies_hz))
    time_s = mean_decay_s(decays)
    volume = float(np.prod(size_m)) if size_m is not None else np.nan
    places = tuple(int(place) for place in low)
    return RoomView(modes, places, names, lasting, time_s, schroeder_frequency_hz(time_s, volume))


def middle_decay(
    response: ImpulseResponse, band_hz: tuple[float, float], arrival_s: float | None = None
) -> Decay | None:
    """Decay of a response (n,) in those of the octaves 500 Hz and 1 kHz that fit its band.

    Without an arrival time zero follows from the response (see `decay`).
    """
    octaves = octave_centres_hz(*MIDDLE_HZ)
    edges = band_edges_hz(octaves, 1)
    inside = (edges[:, 0] >= band_hz[0]) & (edges[:, 1] <= band_hz[1])
    if not np.any(inside):
        return None
    known = arrival_s is not None and np.isfinite(arrival_s)
    return decay(response, arrival_s if known else None, octaves[inside])


def mean_decay_s(decays: tuple[Decay | None, ...]) -> float:
    """Mean valid T20 of the octaves 500 Hz and 1 kHz over all outputs, NaN without one."""
    times = []
    for item in decays:
        if item is None:
            continue
        middle = (item.centres_hz > 400) & (item.centres_hz < 1300)
        times += list(item.t20_s[..., middle & item.valid("t20_s")])
    return float(np.mean(times)) if times else float("nan")
