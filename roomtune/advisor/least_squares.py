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
Model = Callable[[Array], tuple[Array, Array]]


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

    `model(x)` returns residuals (m,) and their Jacobian (m, n). Ends after
    `steps` steps or when one lowers the cost by less than `tolerance` of it.
    The cost never rises above that of the (clipped) start.
    """
    x = np.clip(start, lower, upper)
    residuals, jacobian = model(x)
    cost = 0.5 * float(residuals @ residuals)
    damping = 1e-2
    for step in range(steps):
        gradient = jacobian.T @ residuals
        held = ((x <= lower) & (gradient > 0)) | ((x >= upper) & (gradient < 0))
        free = np.flatnonzero(~held)
        if not len(free):
            return Fit(x, cost, step)
        found = _accepted(model, x, cost, jacobian[:, free], gradient, free, lower, upper, damping)
        if found is None:
            return Fit(x, cost, step)
        gained = cost - found.cost
        x, cost, damping = found.x, found.cost, found.damping
        residuals, jacobian = found.residuals, found.jacobian
        if gained <= tolerance * max(cost, 1e-300):
            return Fit(x, cost, step + 1)
    return Fit(x, cost, steps)


@dataclass(frozen=True, eq=False)
class _Accepted:
    x: Array
    cost: float
    residuals: Array
    jacobian: Array
    damping: float


def _accepted(
    model: Model,
    x: Array,
    cost: float,
    jacobian: Array,
    gradient: Array,
    free: NDArray[np.intp],
    lower: Array,
    upper: Array,
    damping: float,
) -> _Accepted | None:
    """The first step, with rising damping, that lowers the cost; None when none does."""
    normal = jacobian.T @ jacobian
    scale = np.diag(normal) + 1e-9 * max(float(np.trace(normal)) / len(free), 1e-300)
    for _ in range(8):
        move = np.linalg.solve(normal + np.diag(damping * scale), -gradient[free])
        trial = x.copy()
        trial[free] = np.clip(x[free] + move, lower[free], upper[free])
        residuals, slopes = model(trial)
        new = 0.5 * float(residuals @ residuals)
        if new < cost:
            return _Accepted(trial, new, residuals, slopes, max(damping / 5, 1e-8))
        damping *= 6
    return None
