"""Maximum-likelihood arrival: a driver's waveform fitted up to the first reflection.

The model of `driver_fit` is fitted in time to the samples before reflections
arrive. They are whitened row by row (Cholesky), so that an end set earlier only
drops rows. The end moves on as long as the new samples are such as the model and
the noise predict: their squared innovations follow a chi-square distribution.

The orders of the driver's ends are two unless the waveform clearly says otherwise,
because masses and springs come in pairs; above, a coil may add a pole, and a cabinet
may put shelves between the ends (see `driver_detail`). That is what settles how much of
the delay within the band is the driver's own, where a free order would leave five
times the uncertainty. The arrival is the mean over all of these drivers by their evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.driver_detail import (
    COIL,
    DETAIL_SPREAD,
    SHELVES,
    DetailedDriver,
    detailed_driver,
    plain,
    prior_detail,
)
from roomtune.analysis.driver_fit import DriverFit, driver_log_response
from roomtune.analysis.early_waveform import EarlyWaveform, early_waveform, looked_at_hz

LEAST_MISFIT = 0.003
_MISFITS = (LEAST_MISFIT, 0.02, 0.08)
_FIRST_END = 1.2  # over the bandwidth
_EXPLAINED = 1.5
_STEADY = 1e-5  # of the noise: so that the covariance can be inverted
_FAILED = 8.0
_CYCLES = 2.0
_GROWTH = 1.5
_SURPRISE = 5.0
# log odds against two more orders, a coil in the band, shelves (common practice, no source);
# how rare they are is itself not known: the spread takes them to be less so
RARE, _LESS_RARE = np.array([8.0, 6.0, 3.0]), np.array([4.0, 2.0, 3.0])
ENDS = tuple(range(8))
_DELAY, _SHARPNESS, _ORDERS = 1, 6, (4, 7)
_BUT_ORDERS = tuple(n for n in ENDS if n not in _ORDERS)
_BELOW, _WITH_COIL, _ABOVE = (2, 4, 6, 8, 10, 12), 3, (2, 3, 4, 6, 8, 10, 12)
_NEAREST = 0.6
_LARGEST_STEP = np.array([2.0, np.inf, 0.5, 0.3, 0.7, 0.5, 0.3, 0.7, *[0.5] * 6])


@dataclass(frozen=True)
class ArrivalFit:
    """A refined arrival: time_s after the first sample, and its standard uncertainty.

    until_s: how long after the arrival the waveform could be used; misfit: share of the
    local level that had to be granted to what no model can tell; oddity: standard
    deviations between the sharpness of the driver's upper end and what is thought likely.
    """

    time_s: float
    uncertainty_s: float
    until_s: float
    misfit: float
    oddity: float


@dataclass(frozen=True, eq=False)
class Whitened:
    """Whitened samples, shape (m,), and what is known before them.

    explained (m,): mean square that noise and misfit give each; less than 1 where samples
    closer than the band needs foretell each other.
    """

    waveform: EarlyWaveform
    driver: DetailedDriver
    whitener: NDArray[np.float64]
    target: NDArray[np.float64]
    explained: NDArray[np.float64]
    sign: int
    prior: NDArray[np.float64]

    def freedom(self, end: int, begin: int = 0) -> float:
        """What the squared innovations of these samples sum to when noise explains them."""
        return float(np.sum(self.explained[begin:end]))


@dataclass(frozen=True, eq=False)
class Solution:
    """Parameters (14,) as in `driver_detail`, and what was left.

    cost: half the summed squares, prior counted (no unit); covariance: of the free
    parameters, in their units squared; volume: logarithm of how much of what was thought
    likely is left of them.
    """

    parameters: NDArray[np.float64]
    cost: float
    covariance: NDArray[np.float64]
    volume: float


def fit_arrival(
    samples: NDArray[np.float64],
    rate: float,
    band_hz: tuple[float, float],
    time_s: float,
    fit: DriverFit,
) -> ArrivalFit | None:
    """Refine an arrival (after the first sample) that `fit_driver` found roughly.

    None when no driver explains even the first of the waveform.
    """
    waveform = early_waveform(samples, rate, band_hz, time_s)
    start = start_parameters(waveform, time_s, fit)
    arrived = (time_s - waveform.begin_s) * waveform.rate_hz - waveform.first
    end = first_end(waveform, arrived)
    if end < 8:
        return None
    expected = waveform.waveforms(seen_spectrum(waveform, start, fit.sign))
    for misfit in _MISFITS:
        problem = whitened(waveform, expected, fit.sign, band_hz, misfit)
        first = solved(problem, start, end)
        solution, last = extended(problem, first, end, arrived)
        cycles = (last - arrived) / waveform.rate_hz * waveform.frequencies_hz[-1]
        excess = 2 * solution.cost / max(problem.freedom(last) - len(ENDS), 4)
        if excess < _EXPLAINED and (cycles > _CYCLES or last == len(waveform.samples)):
            break
    if excess > _FAILED:
        return None
    delay, spread, oddity = _over_drivers(problem, solution, last, max(1.0, excess))
    until = float(last - arrived) / waveform.rate_hz
    return ArrivalFit(waveform.begin_s + delay, spread, until, misfit, oddity)


def first_end(waveform: EarlyWaveform, arrived: float) -> int:
    """How many samples to fit first, when the sound arrives at `arrived` samples."""
    width = waveform.frequencies_hz[-1] - waveform.frequencies_hz[0]
    end = int(arrived + max(_FIRST_END / width * waveform.rate_hz, 5))
    return min(end, len(waveform.samples))


def start_parameters(waveform: EarlyWaveform, time_s: float, fit: DriverFit) -> NDArray[np.float64]:
    """Parameters (14,) to begin with: a driver's, its level from the waveform's spectrum."""
    low, low_q, high, high_q = np.log([fit.low_hz, fit.low_q, fit.high_hz, fit.high_q])
    delay = time_s - waveform.begin_s
    ends = [0.0, delay, low, low_q, fit.low_order, high, high_q, fit.high_order]
    start = plain(np.array(ends))
    model = np.abs(seen_spectrum(waveform, start, 1))
    start[0] = np.log(np.linalg.norm(waveform.spectrum) / np.linalg.norm(model))
    return start


def whitened(
    waveform: EarlyWaveform,
    expected: NDArray[np.float64],
    sign: int,
    band_hz: tuple[float, float],
    misfit: float,
) -> Whitened:
    """Whiten noise, and a share (`misfit`, no unit) of the local power that no model can tell."""
    from scipy.linalg import solve_triangular, toeplitz

    reach = max(int(0.7 * waveform.rate_hz / waveform.frequencies_hz[-1]), 1)
    bell = np.hanning(2 * reach + 3)
    local = np.convolve(expected**2, bell / bell.sum(), "same")
    steady = _STEADY * waveform.noise[0] + 1e-12 * local.max()
    factor = np.linalg.cholesky(toeplitz(waveform.noise) + np.diag(misfit**2 * local + steady))
    whitener = solve_triangular(factor, np.eye(len(factor)), lower=True)
    explained = 1 - steady * np.sum(whitener**2, axis=1)
    driver = detailed_driver(waveform.frequencies_hz, looked_at_hz(band_hz))
    target = whitener @ waveform.samples
    return Whitened(waveform, driver, whitener, target, explained, sign, prior_detail(band_hz))


def seen_spectrum(
    waveform: EarlyWaveform, parameters: NDArray[np.float64], sign: int
) -> NDArray[np.complex128]:
    """Weighted spectrum (k,) of a plain driver of this sign, as the waveform would show it."""
    at = np.asarray(2j * np.pi * waveform.frequencies_hz, dtype=complex)
    exponent = driver_log_response(parameters[: len(ENDS)], at)
    return np.asarray(sign * np.exp(exponent) * waveform.shape)


def solved(
    problem: Whitened,
    start: NDArray[np.float64],
    end: int,
    free: tuple[int, ...] = ENDS,
    rounds: int = 12,
) -> Solution:
    """Levenberg-Marquardt over the free parameters on the samples before `end`."""
    chosen = np.array(free)
    period = 1 / problem.waveform.frequencies_hz[-1]
    largest = np.where(chosen == _DELAY, 0.3 * period, _LARGEST_STEP[chosen])
    place = start.copy()
    residual, slopes = _misfits(problem, place, end, chosen)
    cost, damping = float(residual @ residual) / 2, 1e-3
    for _ in range(rounds):
        hessian, gradient = slopes.T @ slopes, slopes.T @ residual
        damped = hessian + damping * np.diag(np.diag(hessian))
        step = np.clip(-np.linalg.solve(damped, gradient), -largest, largest)
        trial = place.copy()
        trial[chosen] += step
        trial[list(_ORDERS)] = np.clip(trial[list(_ORDERS)], 0.5, 12)
        new_residual, new_slopes = _misfits(problem, trial, end, chosen)
        new_cost = float(new_residual @ new_residual) / 2
        if new_cost < cost:
            gained, damping = cost - new_cost, damping / 10
            place, residual, slopes, cost = trial, new_residual, new_slopes, new_cost
            if gained < 1e-2:
                break
        else:
            damping *= 10
            if damping > 1e3:
                break
    covariance = np.asarray(np.linalg.inv(slopes.T @ slopes), dtype=float)
    volume = np.linalg.slogdet(covariance)[1] / 2 - np.sum(np.log(DETAIL_SPREAD[chosen]))
    return Solution(place, cost, covariance, float(volume))


def _misfits(
    problem: Whitened, parameters: NDArray[np.float64], end: int, free: NDArray[np.int_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Whitened residuals and their slopes by the free parameters, prior rows last."""
    waveform, rows = problem.waveform, problem.whitener[:end, :end]
    exponent, slopes = problem.driver.log_model(parameters, free)
    model = problem.sign * np.exp(exponent) * waveform.shape
    spectra = np.concatenate([model[None], model * slopes])
    seen = waveform.waveforms(spectra)[:, :end] @ rows.T
    off = (parameters[free] - problem.prior[free]) / DETAIL_SPREAD[free]
    residual = np.concatenate([seen[0] - problem.target[:end], off])
    return residual, np.concatenate([seen[1:].T, np.diag(1 / DETAIL_SPREAD[free])])


def extended(
    problem: Whitened, solution: Solution, end: int, arrived: float
) -> tuple[Solution, int]:
    """The fit with its end moved on until the samples surprise; `arrived` in samples."""
    while end < len(problem.target):
        further = max(int(arrived + _GROWTH * (end - arrived)), end + 2)
        further = min(further, len(problem.target))
        new = problem.freedom(further, end)
        trial = solved(problem, solution.parameters, further)
        if 2 * (trial.cost - solution.cost) > new + _SURPRISE * np.sqrt(2 * new):
            break
        solution, end = trial, further
    return solution, end


def _over_drivers(
    problem: Whitened, solution: Solution, end: int, excess: float
) -> tuple[float, float, float]:
    """Mean and spread of the delay over the drivers that may be, by their evidence; oddity."""
    fits, besides = zip(*_drivers(problem, solution, end, excess), strict=True)
    evidence = np.array([fit.volume - fit.cost / excess for fit in fits])
    found = np.array([fit.parameters[: len(ENDS)] for fit in fits])
    variances = np.array([fit.covariance[_DELAY, _DELAY] for fit in fits]) * excess
    mean = _shares(evidence - np.array(besides) @ RARE) @ found
    wary = _shares(evidence - np.array(besides) @ _LESS_RARE)
    variance = wary @ (variances + (found[:, _DELAY] - mean[_DELAY]) ** 2)
    oddity = abs(mean - problem.prior[: len(ENDS)])[_SHARPNESS] / DETAIL_SPREAD[_SHARPNESS]
    return float(mean[_DELAY]), float(np.sqrt(variance)), float(oddity)


def _drivers(
    problem: Whitened, solution: Solution, end: int, excess: float
) -> list[tuple[Solution, tuple[int, int, int]]]:
    """Fits of the drivers that may be, and how many more pairs, coils and shelves each has.

    Pairs of orders near the free ones, beside them shelves, and a coil's pole where a third
    order above may be. Beyond more pairs, which a filter adds, no coil can be told.
    """
    spread = np.sqrt(np.diag(solution.covariance) * excess)
    lows, highs = (
        _orders(float(solution.parameters[n]), _NEAREST + 4 * float(spread[n]), possible)
        for n, possible in zip(_ORDERS, (_BELOW, _ABOVE), strict=True)
    )
    tried = []
    for low, high in product(lows, sorted({high - high % 2 for high in highs})):
        pairs, more = with_orders(problem, solution, end, (low, high)), more_pairs((low, high))
        tried.append((pairs, (more, 0, 0)))
        if high + 1 == _WITH_COIL and _WITH_COIL in highs:
            tried.append((_with_coil(problem, pairs, end), (more, 1, 0)))
        if low == lows[0]:
            shelved = solved(problem, pairs.parameters, end, (*_BUT_ORDERS, *SHELVES))
            tried.append((shelved, (more, 0, 1)))
    return tried


def _with_coil(problem: Whitened, pairs: Solution, end: int) -> Solution:
    """The fit with a coil's pole besides; begun an octave below the band's end.

    What the coil delays is taken from the delay at the start.
    """
    start = pairs.parameters.copy()
    start[COIL] = np.log(problem.waveform.frequencies_hz[-1] / 2)
    start[_DELAY] -= 1 / (2 * np.pi * np.exp(start[COIL]))
    return solved(problem, start, end, (*_BUT_ORDERS, COIL))


def _shares(evidence: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probabilities of models from their log evidence."""
    weights = np.exp(evidence - evidence.max())
    return np.asarray(weights / weights.sum())


def with_orders(
    problem: Whitened, solution: Solution, end: int, orders: tuple[int, ...], rounds: int = 12
) -> Solution:
    """The fit with the ends' orders (low, high) held."""
    start = solution.parameters.copy()
    start[list(_ORDERS)] = orders
    return solved(problem, start, end, _BUT_ORDERS, rounds)


def more_pairs(orders: tuple[int, ...]) -> int:
    """Pairs of orders beyond one at either end."""
    return sum((order - 2) // 2 for order in orders)


def _orders(order: float, reach: float, possible: tuple[int, ...]) -> list[int]:
    """Of the possible orders those within reach of a free one, nearest first, at most four."""
    nearest = sorted(possible, key=lambda number: abs(number - order))
    return [nearest[0], *(number for number in nearest[1:4] if abs(number - order) < reach)]
