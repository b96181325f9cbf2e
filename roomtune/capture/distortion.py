"""Distortion in a take: how much, and whether it arose before or behind the room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.noise import octaves_hz, smoothed_density
from roomtune.capture.take import Finding
from roomtune.signal.decibels import power
from roomtune.signal.deconvolution import Deconvolution
from roomtune.signal.sweeps import Sweep, sweep_energy_density
from roomtune.signal.values import FrequencyResponse, ImpulseResponse, NoiseSpectrum

HIGHEST_NORMAL = 0.06
HIGHEST_NORMAL_BASS = 0.2
BASS_BELOW_HZ = 150.0
HIGHEST_BEHIND_ROOM = 0.025
NOISE_MARGIN = 4.0
DEEPEST_BAND_DB = -12.0
POINTS = 1500


@dataclass(frozen=True, eq=False)
class Distortion:
    """Distortion per octave of excitation: centres (k,), ratio of orders 2, 3 to the fundamental.

    `like_loudspeaker`: agreement (0 to 1) of the third order with the response at
    its own frequency, as if it had passed the room; `like_microphone`: with the
    cube of the response, as if it arose behind the room.
    """

    centres_hz: NDArray[np.float64]
    second: NDArray[np.float64]
    third: NDArray[np.float64]
    like_loudspeaker: float
    like_microphone: float

    @property
    def behind_room(self) -> bool:
        """Whether the third order cannot well have passed the room."""
        if self.like_loudspeaker < 0.4:
            return self.like_microphone > 0.04
        return self.like_loudspeaker < 0.75 and self.like_microphone > self.like_loudspeaker - 0.1


def measure_distortion(
    response: Deconvolution, sweep: Sweep, level_dbfs: float, noise: NoiseSpectrum
) -> Distortion:
    """Measure distortion of orders 2 and 3 in whole octaves of excitation.

    Octaves where the fundamental lies 12 dB under its median are left out (the
    driver hardly plays them), and so is what noise could explain.
    """
    low, high = response.valid_band_hz
    centres = octaves_hz(low, high)
    linear = response.linear.response()
    fundamental = np.array(
        [_mean_power(linear, np.clip(_edges(centre), low, high)) for centre in centres]
    )
    strong = 10 * np.log10(fundamental / np.median(fundamental) + 1e-30) > DEEPEST_BAND_DB
    ratios = np.zeros((2, centres.size))
    for order, harmonic in zip((2, 3), response.harmonics[:2], strict=False):
        heard = harmonic.response()
        for place, centre in enumerate(centres):
            edges = order * _edges(centre)
            if edges[1] > high or not strong[place]:
                continue
            energy = sweep_energy_density(sweep, edges.mean()) * power(level_dbfs)
            floor = harmonic.duration_s * smoothed_density(noise, edges).mean() / energy
            floor *= float(sweep.order_gain(order, edges.mean())) ** 2
            got = _mean_power(heard, edges)
            if got > NOISE_MARGIN * floor:
                ratios[order - 2, place] = np.sqrt((got - floor) / (fundamental[place] + 1e-30))
    return Distortion(centres, ratios[0], ratios[1], *_origin(response))


def _edges(centre_hz: float) -> NDArray[np.float64]:
    return centre_hz * np.array([np.sqrt(0.5), np.sqrt(2)])


def _mean_power(response: FrequencyResponse, edges_hz: NDArray[np.float64]) -> float:
    inside = (response.frequencies_hz >= edges_hz[0]) & (response.frequencies_hz <= edges_hz[1])
    return float(np.mean(np.abs(response.values[inside]) ** 2)) if inside.any() else 0.0


def _origin(response: Deconvolution) -> tuple[float, float]:
    """Agreement of the third order with H(3 f) (loudspeaker) and H(f)^3 (microphone)."""
    low, high = response.valid_band_hz
    if len(response.harmonics) < 2 or 3 * low >= high:
        return 1.0, 0.0
    grid = np.geomspace(low, high / 3, POINTS)
    early = _early(response.linear)
    third = _early(response.harmonics[1]).response_at(3 * grid).values
    both = early.response_at(np.concatenate((grid, 3 * grid))).values
    return _agreement(third, both[POINTS:]), _agreement(third, both[:POINTS] ** 3)


def _early(response: ImpulseResponse) -> ImpulseResponse:
    """The first 80 ms after time zero, where the sweep's tone has not moved on much."""
    times = response.times_s
    fade = np.clip((0.08 - times) / 0.03, 0, 1) * (times > -0.05)
    used = np.flatnonzero(fade)
    kept = slice(int(used[0]), int(used[-1]) + 1)
    return ImpulseResponse(
        (response.samples * fade)[kept], response.sample_rate_hz, float(times[kept][0])
    )


def _agreement(one: NDArray[np.complex128], two: NDArray[np.complex128]) -> float:
    size = np.linalg.norm(one) * np.linalg.norm(two)
    return float(abs(np.vdot(one, two)) / size) if size > 0 else 0.0


def soft_clipping(distortion: Distortion) -> tuple[Finding, ...]:
    """Odd distortion that arises behind the room, at the microphone or its preamplifier."""
    suspect = (
        (distortion.third > HIGHEST_BEHIND_ROOM)
        & (distortion.third > 2.5 * distortion.second)
        & (distortion.centres_hz > BASS_BELOW_HZ)
    )
    if not (distortion.behind_room and suspect.any()):
        return ()
    worst = int(np.argmax(distortion.third * suspect))
    text = (
        f"{100 * distortion.third[worst]:.0f} % distortion of third order around "
        f"{distortion.centres_hz[worst]:.3g} Hz arises behind the room: the microphone or its "
        f"preamplifier is overdriven. Turn its gain down, or play more quietly."
    )
    return (Finding("soft clipping", "repeat", text),)


def loudspeaker_distortion(distortion: Distortion) -> tuple[Finding, ...]:
    """Distortion far above what healthy drivers produce."""
    limit = np.where(distortion.centres_hz < BASS_BELOW_HZ, HIGHEST_NORMAL_BASS, HIGHEST_NORMAL)
    total = np.hypot(distortion.second, distortion.third)
    if not np.any(total > limit):
        return ()
    worst = int(np.argmax(total / limit))
    text = (
        f"{100 * total[worst]:.0f} % distortion around {distortion.centres_hz[worst]:.3g} Hz "
        f"(normal is up to {100 * limit[worst]:.0f} %): play more quietly, or look for a damaged "
        f"or overdriven driver."
    )
    return (Finding("distortion", "usable", text),)
