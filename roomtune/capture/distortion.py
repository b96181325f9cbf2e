"""Distortion in a take: how much, and whether it arose before or behind the room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.evidence import Evidence, octaves_hz
from roomtune.capture.noise import smoothed_density
from roomtune.capture.take import Finding
from roomtune.signal.decibels import power
from roomtune.signal.sweeps import sweep_energy_density
from roomtune.signal.values import ImpulseResponse

HIGHEST_NORMAL = 0.06
HIGHEST_NORMAL_BASS = 0.2
BASS_BELOW_HZ = 150.0
NOISE_MARGIN = 4.0
DEEPEST_BAND_DB = -12.0
POINTS = 1500


@dataclass(frozen=True, eq=False)
class Distortion:
    """Distortion per octave of excitation: centres (k,), ratio of orders 2, 3 to the fundamental.

    `behind_room`: how much better the third order agrees with the cube of the
    response than with the response itself, -1 (arose in the loudspeaker) to 1
    (arose at the microphone).
    """

    centres_hz: NDArray[np.float64]
    second: NDArray[np.float64]
    third: NDArray[np.float64]
    behind_room: float


def measure_distortion(evidence: Evidence) -> Distortion:
    """Measure distortion of orders 2 and 3 in whole octaves of excitation.

    Octaves where the fundamental lies 12 dB under its median are left out (the
    driver hardly plays them), and so is what noise could explain.
    """
    response = evidence.response
    low, high = response.valid_band_hz
    centres = octaves_hz(low, high)
    ratios = np.zeros((2, centres.size))
    for order, harmonic in zip((2, 3), response.harmonics[:2], strict=False):
        for place, centre in enumerate(centres):
            if centre * np.sqrt(2) * order <= high:
                ratios[order - 2, place] = _ratio(evidence, harmonic, order, centre)
    level = np.array([_fundamental(evidence, centre) for centre in centres])
    weak = 10 * np.log10(level / np.median(level) + 1e-30) < DEEPEST_BAND_DB
    ratios[:, weak] = 0
    return Distortion(centres, ratios[0], ratios[1], _behind_room(evidence))


def _octave(centre_hz: float) -> NDArray[np.float64]:
    return centre_hz * 2.0 ** np.linspace(-0.5, 0.5, 60)


def _fundamental(evidence: Evidence, centre_hz: float) -> float:
    low, high = evidence.response.valid_band_hz
    grid = np.clip(_octave(centre_hz), low, high)
    return float(np.mean(np.abs(evidence.response.linear.response_at(grid).values) ** 2))


def _ratio(evidence: Evidence, harmonic: ImpulseResponse, order: int, centre_hz: float) -> float:
    grid = _octave(centre_hz) * order
    energy = sweep_energy_density(evidence.request.sweep, grid)
    energy = energy * power(evidence.request.level_dbfs)
    noise = float(np.mean(harmonic.duration_s * smoothed_density(evidence.noise, grid) / energy))
    heard = float(np.mean(np.abs(harmonic.response_at(grid).values) ** 2))
    if heard < NOISE_MARGIN * noise:
        return 0.0
    return float(np.sqrt((heard - noise) / (_fundamental(evidence, centre_hz) + 1e-30)))


def _behind_room(evidence: Evidence) -> float:
    """Compare the third order with H(f)^3 (microphone) and with H(3 f) (loudspeaker)."""
    response = evidence.response
    low, high = response.valid_band_hz
    if len(response.harmonics) < 2 or 3 * low >= high:
        return 0.0
    grid = np.geomspace(low, high / 3, POINTS)
    early = _early(response.linear)
    third = _early(response.harmonics[1]).response_at(3 * grid).values
    cube = early.response_at(grid).values ** 3
    plain = early.response_at(3 * grid).values
    return _agreement(third, cube) - _agreement(third, plain)


def _early(response: ImpulseResponse) -> ImpulseResponse:
    """The first 60 ms after time zero, where the sweep's tone has not moved on much."""
    times = response.times_s
    fade = np.clip((0.08 - times) / 0.03, 0, 1)
    return ImpulseResponse(response.samples * fade, response.sample_rate_hz, response.start_s)


def _agreement(one: NDArray[np.complex128], two: NDArray[np.complex128]) -> float:
    size = np.linalg.norm(one) * np.linalg.norm(two)
    return float(abs(np.vdot(one, two)) / size) if size > 0 else 0.0


def distortion_findings(evidence: Evidence) -> tuple[Finding, ...]:
    """Distortion far above what healthy drivers produce."""
    distortion = measure_distortion(evidence)
    total = np.hypot(distortion.second, distortion.third)
    limit = np.where(
        distortion.centres_hz < BASS_BELOW_HZ, HIGHEST_NORMAL_BASS, HIGHEST_NORMAL
    )
    if not np.any(total > limit):
        return ()
    worst = int(np.argmax(total / limit))
    amount = (
        f"{100 * total[worst]:.0f} % distortion around {distortion.centres_hz[worst]:.3g} Hz "
        f"(normal is up to {100 * limit[worst]:.0f} %)"
    )
    if distortion.third[worst] > distortion.second[worst] and distortion.behind_room > 0:
        text = (
            f"{amount}, and it arises behind the room: the microphone or its preamplifier is "
            f"overdriven. Turn its gain down, or move it away from the loudspeaker."
        )
        return (Finding("soft clipping", "repeat", text),)
    text = f"{amount}: play more quietly, or look for a damaged or overdriven driver."
    return (Finding("distortion", "usable", text),)
