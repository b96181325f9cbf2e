"""What the measurements say of the room: decay per octave, and the modes of the bass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.report.view_modes import sure_modes
from roomtune.signal.bands import band_edges_hz, band_name, octave_centres_hz
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System

LONGEST_S = 1.0
MOST_MODES = 12


@dataclass(frozen=True)
class DecayRow:
    """Reverberation time of an octave band: T20, its spread over loudspeakers, and how many."""

    band: str
    t20_s: float
    spread_s: float
    count: int


@dataclass(frozen=True)
class ModeRow:
    """A mode: frequency, time for a decay of 60 dB, quality factor."""

    frequency_hz: float
    decay_s: float
    quality: float


def decay_rows(system: System, measured: Measured) -> list[DecayRow]:
    """T20 (ISO 3382-1) per octave at the main seat, median over the outputs that play there."""
    from roomtune.analysis.decay import decay

    seat = _main_place(system, measured)
    centres = octave_centres_hz(125, 8e3)
    edges = band_edges_hz(centres, 1)
    times: list[list[float]] = [[] for _ in centres]
    for row, (low, high) in enumerate(measured.bands_hz):
        used = np.flatnonzero((edges[:, 0] >= low) & (edges[:, 1] <= high))
        if not len(used):
            continue
        found = decay(_short(measured, row, seat), None, centres[used])
        for place, good in zip(used, found.valid("t20_s"), strict=True):
            if good:
                times[place].append(float(found.t20_s[list(used).index(place)]))
    return [
        DecayRow(band_name(c, 1), float(np.median(t)), float(np.ptp(t)) / 2, len(t))
        for c, t in zip(centres, times, strict=True)
        if t
    ]


def mode_rows(measured: Measured) -> list[ModeRow]:
    """The modes that the bass outputs excite at the seats, the slowest to decay kept."""
    from roomtune.analysis.overview import view_room

    room = view_room(measured.responses, measured.bands_hz, arrivals_s=_onsets_s(measured))
    found = room.modes
    if found is None:
        return []
    kept = sorted(sure_modes(room), key=lambda i: -found.decay_s[i])[:MOST_MODES]
    return [
        ModeRow(float(found.frequencies_hz[i]), float(found.decay_s[i]), float(found.quality[i]))
        for i in sorted(kept)
    ]


def _onsets_s(measured: Measured) -> NDArray[np.float64]:
    """Where each response's envelope first peaks, (outputs, seats): quick, and right to some ms."""
    from roomtune.analysis.onset import band_envelope, first_peak

    responses = measured.responses
    rate = responses.sample_rate_hz
    places = [
        [
            first_peak(
                band_envelope(one[: int(LONGEST_S * rate)], rate, (low, min(high, 0.45 * rate)))
            )
            for one in row
        ]
        for row, (low, high) in zip(responses.samples, measured.bands_hz, strict=True)
    ]
    return responses.start_s + np.array(places) / rate


def _main_place(system: System, measured: Measured) -> int:
    name = system.main_seat.name
    return list(measured.seats).index(name) if name in measured.seats else 0


def _short(measured: Measured, output: int, seat: int) -> ImpulseResponse:
    rate = measured.responses.sample_rate_hz
    samples = measured.responses.samples[output, seat, : int(LONGEST_S * rate)]
    return ImpulseResponse(samples, rate, measured.responses.start_s)
