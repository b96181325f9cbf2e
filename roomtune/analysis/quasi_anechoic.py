"""The loudspeaker without the room: gated responses, near field joined to far field."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.reflections import Position, image_path_differences_m
from roomtune.analysis.rooms import speed_of_sound_m_s
from roomtune.signal.bands import mean_over_bands
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.signal.windows import lowest_valid_hz, windowed


@dataclass(frozen=True, eq=False)
class QuasiAnechoic:
    """A gated response and the lowest frequency at which it holds, 1 / gate."""

    response: FrequencyResponse
    gate_s: float
    lowest_valid_hz: float


def quasi_anechoic(
    response: ImpulseResponse, arrival_s: float, first_reflection_s: float, lead_s: float = 1e-3
) -> QuasiAnechoic:
    """Return the spectrum of what arrives before the first reflection.

    The gate opens `lead_s` before the arrival and closes at the reflection with
    a fade over its last quarter. Raises ValueError when it would be empty.
    """
    gate_s = first_reflection_s - arrival_s
    if not gate_s > 0:
        raise ValueError("the first reflection must come after the arrival")
    gated = windowed(response, arrival_s - lead_s, first_reflection_s, lead_s / 2, gate_s / 4)
    return QuasiAnechoic(gated.response(), gate_s, lowest_valid_hz(gate_s))


def path_to_first_reflection_s(
    size_m: Position, source_m: Position, receiver_m: Position, speed_m_s: float | None = None
) -> float:
    """How long after the direct sound the first reflection of a rectangular room comes.

    The shortest detour over one of its six surfaces; furniture may be nearer.
    """
    paths = image_path_differences_m(size_m, source_m, receiver_m)
    return min(paths.values()) / (speed_m_s or speed_of_sound_m_s())


def join_near_and_far(
    near: FrequencyResponse, far: FrequencyResponse, join_hz: float, overlap_octaves: float = 1.0
) -> FrequencyResponse:
    """Return the near-field response below and the far-field response above `join_hz`.

    Both must share their grid. The near field is set to the far field's mean
    level over the overlap about `join_hz`, and its delay and phase to the far
    field's there; the two are blended over the overlap with weights that sum
    to 1 (D. B. Keele, JAES 22(3), 154-162, 1974, for the principle). Raises ValueError for
    different grids, and for too few frequencies about the join.
    """
    if not np.array_equal(near.frequencies_hz, far.frequencies_hz):
        raise ValueError("near and far field must be on the same frequencies")
    frequencies = near.frequencies_hz
    reach = 2 ** (overlap_octaves / 2)
    band = (join_hz / reach, join_hz * reach)
    inside = (frequencies >= band[0]) & (frequencies <= band[1])
    if np.count_nonzero(inside) < 4:
        raise ValueError(f"too few frequencies about {join_hz} Hz to join at")
    powers = [
        mean_over_bands(frequencies, np.abs(r.values) ** 2, np.array([band]))[..., 0]
        for r in (far, near)
    ]
    gain = np.sqrt(powers[0] / powers[1])[..., None]
    delay_s, phase = _offset(near, far, inside)
    moved = near.delayed(delay_s).values * gain * np.exp(1j * phase)
    place = np.log2(np.maximum(frequencies, 1e-9) / join_hz) / overlap_octaves
    weight = 0.5 + 0.5 * np.sin(np.pi * np.clip(place, -0.5, 0.5))
    return replace(near, values=(1 - weight) * moved + weight * far.values)


def _offset(
    near: FrequencyResponse, far: FrequencyResponse, inside: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Delay (..., ) and phase (..., 1) by which far lags near within the overlap."""
    frequencies = near.frequencies_hz[inside]
    phase = np.unwrap(np.angle(far.values[..., inside] / near.values[..., inside]), axis=-1)
    centred = frequencies - frequencies.mean()
    slope = phase @ centred / np.sum(centred**2)
    rest = phase.mean(axis=-1) - slope * frequencies.mean()
    return -slope / (2 * np.pi), rest[..., None]
