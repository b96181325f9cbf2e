"""Fit of a sealed box's low end to a near-field take, and what it gives away.

The near field of a cone at low frequencies is proportional to its acceleration
(D. B. Keele, "Low-Frequency Loudspeaker Assessment by Nearfield Sound-Pressure
Measurement", JAES 22(3), 154-162, 1974), so a sealed box shows its second-order
high pass there, whatever the room. A small hole makes a resonator with the air
in the box, which takes load off the cone at the resonator's frequency: a notch
and peak at the bottom that no second-order response has.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.analysis.driver_data import SealedBox
from roomtune.signal.values import FrequencyResponse

_POINTS_PER_OCTAVE = 24
_VISIBLE_DB = 0.05
_HOLE_DAMPING = 0.5
# where the search stays: ln fc, ln Q, level in dB, ln roll-off, ln leak, depth of the leak
_LEAST = np.array([-3.0, -3.5, -400.0, -3.0, -3.0, -12.0])
_MOST = np.array([10.0, 3.5, 400.0, 25.0, 10.0, 12.0])


@dataclass(frozen=True)
class SealedBoxFit:
    """Fitted sealed box with standard uncertainties; q_uncertainty is that of the total Q.

    level_db: level of the pass band; roll_off_hz: corner of the first-order fall
    above it (inductance, box edge); residual_db: root mean square misfit;
    leak_hz: resonance of a leak where one fits significantly better, else None;
    leak_evidence: how many times better the leaking model fits (F ratio).
    """

    box: SealedBox
    resonance_uncertainty_hz: float
    q_uncertainty: float
    level_db: float
    roll_off_hz: float
    residual_db: float
    leak_hz: float | None
    leak_evidence: float

    def __str__(self) -> str:
        leak = f", leak at {self.leak_hz:.1f} Hz" if self.leak_hz else ""
        return (
            f"fc {self.box.resonance_hz:.1f} ± {self.resonance_uncertainty_hz:.1f} Hz, "
            f"Qtc {self.box.total_q:.3f} ± {self.q_uncertainty:.3f}{leak}"
        )


@dataclass(frozen=True)
class BoxFinding:
    """One thing that does not fit the driver's data: a stable code and a sentence."""

    code: str
    text: str


def fit_sealed_box(
    response: FrequencyResponse, band_hz: tuple[float, float], significance: float = 12.0
) -> SealedBoxFit:
    """Fit the low end of one near-field response (k,) by its level over a band.

    The band should reach from half the resonance or lower to four times it.
    `significance` is the F ratio from which a leak is reported. Raises
    ValueError when the band holds less than an octave of the response.
    """
    frequencies, level = _even(response, band_hz)
    start = _start(frequencies, level)
    plain = _solve(_plain_level, frequencies, level, start)
    leaking = min(
        (
            _solve(_leaking_level, frequencies, level, np.append(plain.x, [np.log(hz), depth]))
            for hz in np.geomspace(frequencies[0] / 1.5, np.exp(plain.x[0]) * 0.8, 5)
            for depth in (-2.0, -1.0)
        ),
        key=lambda found: found.cost,
    )
    freedom = max(len(level) - 6, 1)
    gained = max(plain.cost - leaking.cost, 0.0) / 2
    evidence = gained / max(leaking.cost / freedom, 1e-12)
    misfit_db = np.sqrt(2 * plain.cost / len(level))
    leaks = evidence > significance and misfit_db > _VISIBLE_DB
    best = leaking if leaks else plain
    spread = _spread(best, len(level))
    box = SealedBox(float(np.exp(best.x[0])), float(np.exp(best.x[1])))
    return SealedBoxFit(
        box,
        float(box.resonance_hz * spread[0]),
        float(box.total_q * spread[1]),
        float(best.x[2]),
        float(np.exp(best.x[3])),
        float(np.sqrt(2 * best.cost / len(level))),
        float(np.exp(best.x[4])) if leaks else None,
        float(evidence),
    )


def judge_box(
    fit: SealedBoxFit, expected: SealedBox, tolerance: float = 0.1
) -> tuple[BoxFinding, ...]:
    """What the fit says against the low end that data and volume predict.

    `tolerance` is the spread of real drivers about their data (10 % is usual).
    A deviation counts when it exceeds the tolerance and twice its uncertainty.
    """
    found = []
    if fit.leak_hz:
        found.append(
            BoxFinding(
                "leak",
                f"The box leaks: a resonance at {fit.leak_hz:.1f} Hz that no sealed box has. "
                "Seal the joints, terminals and driver gasket.",
            )
        )
    shift = fit.box.resonance_hz / expected.resonance_hz - 1
    q_shift = fit.box.total_q / expected.total_q - 1
    if abs(shift) > max(tolerance, 2 * fit.resonance_uncertainty_hz / fit.box.resonance_hz):
        what = "smaller" if shift > 0 else "larger (or leaking, or the driver softer)"
        found.append(
            BoxFinding(
                "volume",
                f"fc is {fit.box.resonance_hz:.1f} Hz where {expected.resonance_hz:.1f} Hz was "
                f"expected: the box acts {what} than stated.",
            )
        )
    elif abs(q_shift) > max(2 * tolerance, 2 * fit.q_uncertainty / fit.box.total_q):
        found.append(
            BoxFinding(
                "damping",
                f"Qtc is {fit.box.total_q:.2f} where {expected.total_q:.2f} was expected: check "
                "the motor, the wiring (resistance, a dead coil of two) and the stuffing.",
            )
        )
    return tuple(found)


def _even(
    response: FrequencyResponse, band_hz: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The level on an even log grid within the band."""
    low = max(band_hz[0], float(response.frequencies_hz[response.frequencies_hz > 0][0]))
    high = min(band_hz[1], float(response.frequencies_hz[-1]))
    if not high > 2 * low:
        raise ValueError(f"a fit needs more than an octave, got {low:g} to {high:g} Hz")
    count = int(_POINTS_PER_OCTAVE * np.log2(high / low)) + 1
    frequencies = np.geomspace(low, high, count)
    known = response.frequencies_hz > 0
    level = np.interp(
        np.log(frequencies),
        np.log(response.frequencies_hz[known]),
        response.magnitude_db[known],
    )
    return frequencies, level


def _start(frequencies: NDArray[np.float64], level: NDArray[np.float64]) -> NDArray[np.float64]:
    """ln fc, ln Q, level, ln roll-off: fc guessed where the level first comes within 4 dB."""
    top = float(np.median(np.sort(level)[-len(level) // 3 :]))
    reached = frequencies[int(np.argmax(level > top - 4))]
    return np.array([np.log(reached), np.log(0.7), top, np.log(20 * frequencies[-1])])


def _plain_level(
    parameters: NDArray[np.float64], frequencies: NDArray[np.float64]
) -> NDArray[np.float64]:
    resonance, q, level, roll_off = parameters[:4]
    s = 1j * frequencies / np.exp(resonance)
    high_pass = s**2 / (s**2 + s / np.exp(q) + 1)
    fall = 1 / (1 + 1j * frequencies / np.exp(roll_off))
    return level + 20 * np.log10(np.abs(high_pass * fall))


def _leaking_level(
    parameters: NDArray[np.float64], frequencies: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The box's share of the stiffness shunted by a hole's mass and resistance.

    With u = jf / f_leak and damping r the shunted share is multiplied by
    (u^2 + r u) / (u^2 + r u + 1): none far below the leak's resonance, all far
    above it.
    """
    resonance, q, level, roll_off, leak, depth = parameters
    s = 1j * frequencies / np.exp(resonance)
    share = 1 / (1 + np.exp(-depth))
    u = 1j * frequencies / np.exp(leak)
    hole = u**2 + u * _HOLE_DAMPING
    shunted = hole / (hole + 1)
    stiffness = 1 - share + share * shunted
    acceleration = s**2 / (s**2 + s / np.exp(q) + stiffness)
    fall = 1 / (1 + 1j * frequencies / np.exp(roll_off))
    return level + 20 * np.log10(np.abs(acceleration * fall))


def _solve(
    model: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
    frequencies: NDArray[np.float64],
    level: NDArray[np.float64],
    start: NDArray[np.float64],
) -> Any:
    from scipy.optimize import least_squares

    def misfit(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        count = len(parameters)
        bounded = np.clip(parameters, _LEAST[:count], _MOST[:count])
        prior = 0.02 * (parameters[3] - start[3])
        return np.append(model(bounded, frequencies) - level, prior)

    found = least_squares(misfit, start, x_scale="jac", max_nfev=200)
    found.x = np.clip(found.x, _LEAST[: len(start)], _MOST[: len(start)])
    return found


def _spread(found: Any, count: int) -> NDArray[np.float64]:
    """Standard uncertainties; neighbouring points of a smooth misfit count as one."""
    residual = np.asarray(found.fun[:count])
    together = _correlated(residual)
    variance = 2 * found.cost / max(count - len(found.x), 1) * together
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * variance
    return np.sqrt(np.maximum(np.diag(covariance), 0.0))


def _correlated(residual: NDArray[np.float64]) -> float:
    """How many neighbouring points carry the same error: 1 + 2 sum of autocorrelation."""
    centred = residual - residual.mean()
    power = float(centred @ centred)
    if power <= 0:
        return 1.0
    total = 1.0
    for lag in range(1, len(residual) // 2):
        correlation = float(centred[:-lag] @ centred[lag:]) / power
        if correlation < 0.05:
            break
        total += 2 * correlation
    return total


def implied_volume_l(
    fit: SealedBoxFit, resonance_hz: float, equivalent_volume_l: ArrayLike
) -> float:
    """Box volume that the measured resonance and the driver's data imply, litres."""
    from roomtune.analysis.driver_data import box_volume_l

    return box_volume_l(resonance_hz, float(np.asarray(equivalent_volume_l)), fit.box.resonance_hz)
