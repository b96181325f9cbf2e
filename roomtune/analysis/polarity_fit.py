"""Which of two drivers of opposite sign a waveform speaks for.

A steep driver that falls off in the midst of its band looks, for its first few
milliseconds, much like an ordinary one turned round that sounds a little later.
The spectrum through a short window cannot always tell them apart. The waveform
can: one of the two needs sound where there is silence, or lacks the slow swing
that follows. So both are fitted to the same whitened samples (see `arrival_fit`),
with the orders that masses and springs can have, for as long as either explains them.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from roomtune.analysis.arrival_fit import (
    ENDS,
    RARE,
    Solution,
    Whitened,
    extended,
    first_end,
    more_pairs,
    seen_spectrum,
    solved,
    start_parameters,
    whitened,
    with_orders,
)
from roomtune.analysis.driver_fit import DriverFit
from roomtune.analysis.early_waveform import early_waveform

_MISFIT = 0.05  # of the local level: what no model can say
_ROUNDS = 20


def likelier(
    samples: NDArray[np.float64],
    rate: float,
    band_hz: tuple[float, float],
    start_s: float,
    fit: DriverFit,
) -> tuple[float, DriverFit]:
    """Arrival after the first sample and fit of the likelier sign, its confidence renewed.

    `start_s`: what the delays of `fit` and its opposite count from. Raises
    ValueError for a fit without an opposite.
    """
    if fit.opposite is None:
        raise ValueError("there is no opposite to compare with")
    drivers = (fit, fit.opposite)
    times = [start_s + driver.delay_s for driver in drivers]
    waveform = early_waveform(samples, rate, band_hz, min(times))
    starts = [start_parameters(waveform, t, d) for t, d in zip(times, drivers, strict=True)]
    spectra = [seen_spectrum(waveform, s, d.sign) for s, d in zip(starts, drivers, strict=True)]
    expected = np.sqrt(np.mean(waveform.waveforms(np.array(spectra)) ** 2, axis=0))
    problems = [whitened(waveform, expected, d.sign, band_hz, _MISFIT) for d in drivers]
    arrived = (max(times) - waveform.begin_s) * waveform.rate_hz - waveform.first
    first = first_end(waveform, arrived)
    reached = [
        extended(problem, solved(problem, start, first), first, arrived)
        for problem, start in zip(problems, starts, strict=True)
    ]
    end = max(last for _, last in reached)
    costs = [_least_cost(p, s, end) for p, (s, _) in zip(problems, reached, strict=True)]
    best = int(np.argmin(costs))
    excess = max(1.0, 2 * costs[best] / max(end - len(ENDS), 4))
    confidence = float(np.tanh((max(costs) - min(costs)) / excess / 2))
    return times[best], replace(drivers[best], confidence=confidence, opposite=None)


def _least_cost(problem: Whitened, solution: Solution, end: int) -> float:
    """Minus the log likelihood with the ends of second or fourth order that suit best."""
    costs = []
    for orders in product((2, 4), repeat=2):
        found = with_orders(problem, solution, end, orders, _ROUNDS)
        costs.append(found.cost + RARE[0] * more_pairs(orders))
    return float(min(costs))
