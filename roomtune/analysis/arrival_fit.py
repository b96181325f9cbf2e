"""Maximum-likelihood arrival: a driver's waveform fitted up to the first reflection.

The model of `driver_fit` is fitted in time to the samples before reflections
arrive. They are whitened row by row (Cholesky), so that an end set earlier only
drops rows. The end moves on as long as the new samples are such as the model and
the noise predict: their squared innovations follow a chi-square distribution.

The orders of the driver's ends are even, because masses and springs come in
pairs, and two unless the waveform clearly says otherwise: that is what settles
how much of the delay within the band is the driver's own, where a free order
would leave five times the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.driver_fit import (
    PRIOR_SPREAD,
    DriverFit,
    driver_log_model,
    driver_log_response,
    prior_parameters,
)
from roomtune.analysis.early_waveform import EarlyWaveform, early_waveform

_MISFITS = (0.003, 0.02, 0.08)
_FIRST_END = 1.2  # over the bandwidth
_EXPLAINED = 1.5
_FAILED = 4.0
_CYCLES = 2.0
_GROWTH = 1.5
_SURPRISE = 5.0
_PER_PAIR = 8.0  # log odds against two more orders
_ORDERS = (4, 7)
_LARGEST_STEP = np.array([2.0, np.inf, 0.5, 0.3, 0.7, 0.5, 0.3, 0.7])


@dataclass(frozen=True)
class ArrivalFit:
    """A refined arrival: time_s after the first sample, and its standard uncertainty.

    until_s: how long after the arrival the waveform could be used; excess: mean
    squared innovation (1: noise explains all).
    """

    time_s: float
    uncertainty_s: float
    until_s: float
    excess: float


@dataclass(frozen=True, eq=False)
class Whitened:
    """Whitened samples and what is known before them."""

    waveform: EarlyWaveform
    whitener: NDArray[np.float64]
    target: NDArray[np.float64]
    sign: int
    prior: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Solution:
    """Parameters (8,) as in `driver_fit`, and what was left.

    cost: half the summed squares, prior counted (no unit); covariance: of the free
    parameters, in their units squared.
    """

    parameters: NDArray[np.float64]
    cost: float
    covariance: NDArray[np.float64]


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
        excess = 2 * solution.cost / max(last - len(start), 4)
        if excess < _EXPLAINED and (cycles > _CYCLES or last == len(waveform.samples)):
            break
    if excess > _FAILED:
        return None
    end = last
    excess = max(1.0, 2 * solution.cost / max(end - len(start), 4))
    delay, spread = _over_orders(problem, solution, end, excess)
    until = (end - arrived) / waveform.rate_hz
    return ArrivalFit(waveform.begin_s + delay, spread, float(until), float(excess))


def first_end(waveform: EarlyWaveform, arrived: float) -> int:
    """How many samples to fit first, when the sound arrives at `arrived` samples."""
    width = waveform.frequencies_hz[-1] - waveform.frequencies_hz[0]
    end = int(arrived + max(_FIRST_END / width * waveform.rate_hz, 5))
    return min(end, len(waveform.samples))


def start_parameters(waveform: EarlyWaveform, time_s: float, fit: DriverFit) -> NDArray[np.float64]:
    """Parameters (8,) to begin with: a driver's, its level from the waveform's spectrum."""
    ends = [fit.low_hz, fit.low_q, fit.high_hz, fit.high_q]
    low, low_q, high, high_q = np.log(ends)
    delay = time_s - waveform.begin_s
    start = np.array([0.0, delay, low, low_q, fit.low_order, high, high_q, fit.high_order])
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
    own = misfit**2 * local + 1e-3 * waveform.noise[0] + 1e-12 * local.max()
    factor = np.linalg.cholesky(toeplitz(waveform.noise) + np.diag(own))
    whitener = solve_triangular(factor, np.eye(len(factor)), lower=True)
    prior = prior_parameters(np.array(band_hz))
    return Whitened(waveform, whitener, whitener @ waveform.samples, sign, prior)


def seen_spectrum(
    waveform: EarlyWaveform, parameters: NDArray[np.float64], sign: int
) -> NDArray[np.complex128]:
    """Weighted spectrum (k,) of a driver of this sign, as the waveform would show it."""
    at = np.asarray(2j * np.pi * waveform.frequencies_hz, dtype=complex)
    exponent = driver_log_response(parameters, at)
    return np.asarray(sign * np.exp(exponent) * waveform.shape)


def solved(
    problem: Whitened,
    start: NDArray[np.float64],
    end: int,
    free: tuple[int, ...] = tuple(range(8)),
    rounds: int = 12,
) -> Solution:
    """Levenberg-Marquardt over the free parameters on the samples before `end`."""
    chosen = np.array(free)
    period = 1 / problem.waveform.frequencies_hz[-1]
    largest = np.where(chosen == 1, 0.3 * period, _LARGEST_STEP[chosen])
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
    return Solution(place, cost, covariance)


def _misfits(
    problem: Whitened, parameters: NDArray[np.float64], end: int, free: NDArray[np.int_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Whitened residuals and their slopes by the free parameters, prior rows last."""
    waveform, rows = problem.waveform, problem.whitener[:end, :end]
    at = np.asarray(2j * np.pi * waveform.frequencies_hz, dtype=complex)
    exponent, slopes = driver_log_model(parameters, at)
    model = problem.sign * np.exp(exponent) * waveform.shape
    spectra = np.concatenate([model[None], model * slopes[:, free].T])
    seen = waveform.waveforms(spectra)[:, :end] @ rows.T
    off = ((parameters - problem.prior) / PRIOR_SPREAD)[free]
    residual = np.concatenate([seen[0] - problem.target[:end], off])
    return residual, np.concatenate([seen[1:].T, np.diag(1 / PRIOR_SPREAD[free])])


def extended(
    problem: Whitened, solution: Solution, end: int, arrived: float
) -> tuple[Solution, int]:
    """The fit with its end moved on until the samples surprise; `arrived` in samples."""
    while end < len(problem.target):
        further = max(int(arrived + _GROWTH * (end - arrived)), end + 2)
        further = min(further, len(problem.target))
        new = further - end
        trial = solved(problem, solution.parameters, further)
        if 2 * (trial.cost - solution.cost) > new + _SURPRISE * np.sqrt(2 * new):
            break
        solution, end = trial, further
    return solution, end


def _over_orders(
    problem: Whitened, solution: Solution, end: int, excess: float
) -> tuple[float, float]:
    """Mean and spread of the delay over the orders that may be, by their evidence."""
    spread = np.sqrt(np.diag(solution.covariance) * excess)
    choices = [_even(solution.parameters[n], 4 * float(spread[n]) + 0.6) for n in _ORDERS]
    evidence, delays, variances = [], [], []
    for orders in product(*choices):
        found, against = with_orders(problem, solution, end, orders)
        volume = np.linalg.slogdet(found.covariance)[1] / 2
        evidence.append(volume - against - found.cost / excess)
        delays.append(found.parameters[1])
        variances.append(found.covariance[1, 1] * excess)
    weights = np.exp(np.array(evidence) - max(evidence))
    weights /= weights.sum()
    mean = float(weights @ np.array(delays))
    variance = weights @ (np.array(variances) + (np.array(delays) - mean) ** 2)
    return mean, float(np.sqrt(variance))


def with_orders(
    problem: Whitened, solution: Solution, end: int, orders: tuple[int, ...], rounds: int = 12
) -> tuple[Solution, float]:
    """The fit with the ends' orders (low, high) held, and the log odds against these."""
    start = solution.parameters.copy()
    start[list(_ORDERS)] = orders
    free = tuple(n for n in range(8) if n not in _ORDERS)
    return solved(problem, start, end, free, rounds), _PER_PAIR * (sum(orders) - 4) / 2


def _even(order: float, reach: float) -> list[int]:
    """Even orders within reach, at least the nearest and never more than three."""
    even = sorted(range(2, 13, 2), key=lambda number: abs(number - order))
    return [even[0], *(number for number in even[1:3] if abs(number - order) < reach)]
