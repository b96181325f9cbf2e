"""Bounded nonlinear least squares with an analytic Jacobian.

Levenberg-Marquardt steps on the variables that are not held at a bound
(D. W. Marquardt, J. SIAM 11(2), 431-441, 1963; projection after D. P.
Bertsekas, SIAM J. Control Optim. 20(2), 221-246, 1982; damping by how far a step
kept its promise after H. B. Nielsen, Damping Parameter in Marquardt's Method,
Technical University of Denmark, IMM-REP-1999-05). No randomness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Quadratic:
    """Half a sum of squares about a point: cost, gradient (n,) and normal matrix (n, n)."""

    cost: float
    gradient: Array
    normal: Array


Model = Callable[[Array, bool], Quadratic]


def quadratic(residuals: Array, jacobian: Array) -> Quadratic:
    """The quadratic of residuals (m,) and their slopes (m, n)."""
    cost = 0.5 * float(residuals @ residuals)
    return Quadratic(cost, jacobian.T @ residuals, jacobian.T @ jacobian)


@dataclass(frozen=True, eq=False)
class Fit:
    """Where the search ended: variables, cost (half the sum of squares), steps taken."""

    variables: Array
    cost: float
    steps: int


def minimise(
    model: Model,
    start: Array,
    lower: Array,
    upper: Array,
    steps: int = 40,
    tolerance: float = 1e-5,
) -> Fit:
    """Minimise half the sum of squares of the residuals within the bounds.

    `model(x, slopes)` returns the `Quadratic` at x, of which only the cost counts
    when `slopes` is False. Ends after `steps` steps, or when
    one lowers the cost, or promises to, by less than `tolerance` of it. The
    cost never rises above that of the (clipped) start.
    """
    x = np.clip(start, lower, upper)
    damping, easy, now = 1e-3, False, None
    cost = np.inf
    for step in range(steps):
        now = model(x, True) if now is None else now
        cost = now.cost
        ahead = easy and step + 1 < steps
        found = _accepted(model, x, now, (lower, upper), damping, tolerance, ahead)
        if found is None:
            return Fit(x, cost, step)
        gained = cost - found.new.cost
        x, cost, damping, easy = found.x, found.new.cost, found.damping, found.easy
        now = found.new if ahead and easy else None
        if gained <= tolerance * max(cost, 1e-300):
            return Fit(x, cost, step + 1)
    return Fit(x, cost if np.isfinite(cost) else model(x, False).cost, steps)


@dataclass(frozen=True, eq=False)
class _Accepted:
    """Where a step led, the model there, the damping for the next, whether the first try did."""

    x: Array
    new: Quadratic
    damping: float
    easy: bool


def _accepted(
    model: Model,
    x: Array,
    now: Quadratic,
    bounds: tuple[Array, Array],
    damping: float,
    tolerance: float,
    ahead: bool,
) -> _Accepted | None:
    """The first step, with rising damping, that lowers the cost; None when none is worth it.

    With `ahead` the first try is worked out with its slopes: it is expected to be kept.
    """
    from scipy.linalg.lapack import dposv

    lower, upper = bounds
    held = ((x <= lower) & (now.gradient > 0)) | ((x >= upper) & (now.gradient < 0))
    free = np.flatnonzero(~held)
    if not len(free):
        return None
    normal, gradient = now.normal, now.gradient
    if len(free) < len(x):
        normal, gradient = normal[np.ix_(free, free)], gradient[free]
    diagonal = normal.diagonal()
    scale = diagonal + 1e-9 * max(float(diagonal.sum()) / len(free), 1e-300)
    damped = normal.copy()
    for attempt in range(8):
        np.fill_diagonal(damped, diagonal + damping * scale)
        _, move, failed = dposv(damped, -gradient, lower=1)
        if failed:
            damping *= 6
            continue
        promised = -float(gradient @ move + 0.5 * move @ normal @ move)
        if promised <= 0.1 * tolerance * now.cost:
            return None
        trial = x.copy()
        trial[free] = np.minimum(np.maximum(x[free] + move, lower[free]), upper[free])
        first = attempt == 0
        new = model(trial, ahead and first)
        if new.cost < now.cost:
            moved = trial[free] - x[free]
            promised = -float(gradient @ moved + 0.5 * moved @ normal @ moved)
            kept = min((now.cost - new.cost) / max(promised, 1e-12 * now.cost), 1.0)
            damping *= max(1 / 9, 1 - (2 * kept - 1) ** 3)
            return _Accepted(trial, new, max(damping, 1e-8), first)
        damping *= 6
    return None
