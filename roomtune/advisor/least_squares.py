"""Bounded nonlinear least squares with an analytic Jacobian.

Levenberg-Marquardt steps on the variables that are not held at a bound
(D. W. Marquardt, J. SIAM 11(2), 431-441, 1963; projection after D. P.
Bertsekas, SIAM J. Control Optim. 20(2), 221-246, 1982). No randomness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Model = Callable[[Array, bool], tuple[Array, Array]]


@dataclass(frozen=True, eq=False)
class Fit:
    """Where the search ended: variables, half the sum of squares, steps taken."""

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

    `model(x, slopes)` returns residuals (m,) and their Jacobian (m, n), which
    may be anything when `slopes` is False. Ends after `steps` steps, or when
    one lowers the cost, or promises to, by less than `tolerance` of it. The
    cost never rises above that of the (clipped) start.
    """
    x = np.clip(start, lower, upper)
    damping = 1e-2
    cost = np.inf
    for step in range(steps):
        residuals, jacobian = model(x, True)
        cost = 0.5 * float(residuals @ residuals)
        quadratic = _Quadratic(x, cost, jacobian.T @ residuals, jacobian.T @ jacobian)
        found = _accepted(model, quadratic, lower, upper, damping, tolerance)
        if found is None:
            return Fit(x, cost, step)
        gained = cost - found.cost
        x, cost, damping = found.x, found.cost, found.damping
        if gained <= tolerance * max(cost, 1e-300):
            return Fit(x, cost, step + 1)
    if not np.isfinite(cost):
        residuals, _ = model(x, False)
        cost = 0.5 * float(residuals @ residuals)
    return Fit(x, cost, steps)


@dataclass(frozen=True, eq=False)
class _Quadratic:
    """The cost about a point: value, gradient and normal matrix."""

    x: Array
    cost: float
    gradient: Array
    normal: Array


@dataclass(frozen=True, eq=False)
class _Accepted:
    x: Array
    cost: float
    damping: float


def _accepted(
    model: Model,
    now: _Quadratic,
    lower: Array,
    upper: Array,
    damping: float,
    tolerance: float,
) -> _Accepted | None:
    """The first step, with rising damping, that lowers the cost; None when none is worth it."""
    held = ((now.x <= lower) & (now.gradient > 0)) | ((now.x >= upper) & (now.gradient < 0))
    free = np.flatnonzero(~held)
    if not len(free):
        return None
    normal = now.normal[np.ix_(free, free)]
    scale = np.diag(normal) + 1e-9 * max(float(np.trace(normal)) / len(free), 1e-300)
    for _ in range(8):
        move = np.linalg.solve(normal + np.diag(damping * scale), -now.gradient[free])
        trial = now.x.copy()
        trial[free] = np.clip(now.x[free] + move, lower[free], upper[free])
        promised = -float(now.gradient[free] @ move + 0.5 * move @ normal @ move)
        if promised <= 0.1 * tolerance * now.cost:
            return None
        residuals, _ = model(trial, False)
        new = 0.5 * float(residuals @ residuals)
        if new < now.cost:
            return _Accepted(trial, new, max(damping / 5, 1e-8))
        damping *= 6
    return None
