"""Everything that the responses of a room say, in one go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.arrival import Arrival
from roomtune.analysis.averages import seat_average, seat_spread_db, seat_weights
from roomtune.analysis.correctability import Correctability, correctability
from roomtune.analysis.decay import Decay, decay
from roomtune.analysis.direct_sound import direct_sounds
from roomtune.analysis.levels import band_level_db
from roomtune.analysis.modes import Modes, fit_modes
from roomtune.analysis.operating_band import working_range_hz
from roomtune.analysis.polarity import Polarity
from roomtune.analysis.reflections import Reflection, early_reflections
from roomtune.analysis.rooms import (
    RoomMode,
    Size,
    name_modes,
    noticed_decay_s,
    schroeder_frequency_hz,
)
from roomtune.signal.bands import (
    band_edges_hz,
    band_levels_db,
    octave_centres_hz,
    third_octave_centres_hz,
)
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

REFLECTIONS_HZ = (1000.0, 8000.0)
BASS_HZ = 120.0
_LOWEST_RESPONSES_MODES_HZ = 60.0


@dataclass(frozen=True, eq=False)
class OutputView:
    """One output at all seats, judged within the band it was played in.

    arrival, polarity: fields (seats,); level_db (seats,): mean in the band;
    thirds_hz (b,) with thirds_db (seats, b), average_db (b,), spread_db (b,);
    range_hz: where the seat average stays within 10 dB of its usual level;
    decay: per octave at the main seat, None where no octave fits the band;
    correctable: minimum phase and common to the seats; reflections: at the
    main seat, none for outputs that do not reach to 4 kHz.
    """

    band_hz: tuple[float, float]
    arrival: Arrival
    polarity: Polarity
    level_db: NDArray[np.float64]
    thirds_hz: NDArray[np.float64]
    thirds_db: NDArray[np.float64]
    average_db: NDArray[np.float64]
    spread_db: NDArray[np.float64]
    range_hz: tuple[float, float]
    decay: Decay | None
    correctable: Correctability | None
    reflections: tuple[Reflection, ...]


@dataclass(frozen=True, eq=False)
class RoomView:
    """The room itself: its modes and where they begin to overlap.

    modes: None when no output plays low enough or the responses are too short;
    names: of a rectangular room's modes, where its size is known; lasting (m,):
    which modes decay slower than listeners notice; decay_s: mean
    T20 of the octaves 500 Hz and 1 kHz (NaN where it cannot be stated);
    schroeder_hz: NaN without size or decay.
    """

    modes: Modes | None
    names: tuple[RoomMode | None, ...]
    lasting: NDArray[np.bool_]
    decay_s: float
    schroeder_hz: float


def view_output(
    responses: ImpulseResponse,
    band_hz: tuple[float, float],
    weights: ArrayLike | None = None,
    main_seat: int = 0,
) -> OutputView:
    """Judge one output's responses (seats, n)."""
    seat_weights(weights, responses.samples.shape[0])
    found = direct_sounds(responses, band_hz)
    times = found.time_s + responses.start_s
    spectrum = responses.response()
    thirds = _whole_bands(third_octave_centres_hz(16, 20e3), band_hz, 3)
    levels = band_levels_db(spectrum, thirds)
    average = seat_average(spectrum, weights)
    low, high = working_range_hz(average, band_hz)
    main = responses[main_seat]
    heard = bool(np.all(np.isfinite(times)))
    return OutputView(
        band_hz,
        Arrival(times, found.uncertainty_s),
        Polarity(found.sign, found.confidence),
        band_level_db(spectrum, band_hz),
        thirds,
        levels,
        band_levels_db(average, thirds),
        _band_spread_db(thirds, levels, weights),
        (float(low), float(high)),
        _decay(main, band_hz, float(times[main_seat])),
        correctability(responses, band_hz, times, weights) if heard else None,
        _reflections(main, band_hz, float(times[main_seat])),
    )


def view_room(
    responses: ImpulseResponse,
    bands_hz: ArrayLike,
    arrivals_s: ArrayLike,
    decays: tuple[Decay | None, ...] = (),
    size_m: Size | None = None,
) -> RoomView:
    """Judge the room from all responses (outputs, seats, n).

    bands_hz: (outputs, 2); arrivals_s: (outputs, seats). Only outputs that play
    below 60 Hz tell of modes.
    """
    bands = np.asarray(bands_hz, dtype=float)
    low = np.flatnonzero((bands[:, 0] < _LOWEST_RESPONSES_MODES_HZ) & (bands[:, 1] > BASS_HZ))
    modes = None
    if len(low):
        part = ImpulseResponse(
            responses.samples[low], responses.sample_rate_hz, responses.start_s, responses.unit
        )
        floor = max(15.0, float(np.min(bands[low, 0])))
        arrivals = np.nan_to_num(np.asarray(arrivals_s, dtype=float)[low])
        try:
            modes = fit_modes(part, (floor, BASS_HZ), arrivals)
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
    return RoomView(modes, names, lasting, time_s, schroeder_frequency_hz(time_s, volume))


def mean_decay_s(decays: tuple[Decay | None, ...]) -> float:
    """Mean valid T20 of the octaves 500 Hz and 1 kHz over all outputs, NaN without one."""
    times = []
    for item in decays:
        if item is None:
            continue
        middle = (item.centres_hz > 400) & (item.centres_hz < 1300)
        times += list(item.t20_s[..., middle & item.valid("t20_s")])
    return float(np.mean(times)) if times else float("nan")


def _whole_bands(
    centres: NDArray[np.float64], band_hz: tuple[float, float], fraction: float
) -> NDArray[np.float64]:
    """Those bands that lie wholly in the played band; the nearest one at least."""
    edges = band_edges_hz(centres, fraction)
    inside = (edges[:, 0] >= band_hz[0]) & (edges[:, 1] <= band_hz[1])
    if np.any(inside):
        return centres[inside]
    middle = np.sqrt(band_hz[0] * band_hz[1])
    return centres[[int(np.argmin(np.abs(np.log(centres / middle))))]]


def _band_spread_db(
    centres: NDArray[np.float64], levels: NDArray[np.float64], weights: ArrayLike | None
) -> NDArray[np.float64]:
    """Spread over seats of band levels (seats, b)."""
    return seat_spread_db(
        FrequencyResponse(centres, np.asarray(10 ** (levels / 20), dtype=complex)), weights
    )


def _decay(main: ImpulseResponse, band_hz: tuple[float, float], arrival_s: float) -> Decay | None:
    octaves = octave_centres_hz(63, 8e3)
    edges = band_edges_hz(octaves, 1)
    inside = (edges[:, 0] >= band_hz[0]) & (edges[:, 1] <= band_hz[1])
    if not np.any(inside) or not np.isfinite(arrival_s):
        return None
    return decay(main, arrival_s, octaves[inside])


def _reflections(
    main: ImpulseResponse, band_hz: tuple[float, float], arrival_s: float
) -> tuple[Reflection, ...]:
    band = (max(REFLECTIONS_HZ[0], band_hz[0]), min(REFLECTIONS_HZ[1], band_hz[1]))
    if band[1] < 4000 or band[1] < 2 * band[0] or not np.isfinite(arrival_s):
        return ()
    return early_reflections(main, arrival_s, band)
