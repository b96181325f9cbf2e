"""Subwoofers by themselves: what their settings make of the seats, and what they cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.objective import OVER_WEIGHT, Problem, Rows, Spread

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
LOSS_WEIGHT, LOSS_ALLOWED_DB, LOSS_MARGIN_DB = 0.2, 3.0, 0.1


@dataclass(frozen=True, eq=False)
class Bass:
    """The subwoofers by themselves: covariances (n, n, seats, k), base gains (n, k).

    within_ms: the earliest and the latest delay that the processor has room for.
    """

    covariance: Complex
    base: Complex
    model: EnergyModel
    weights: Array
    start_ms: Array
    rate_hz: float
    within_ms: tuple[float, float] = (-np.inf, np.inf)

    @property
    def count(self) -> int:
        """Number of subwoofers."""
        return len(self.base)

    @property
    def full_power(self) -> float:
        """Mean power of all at full gain and in phase at every seat."""
        own = np.sqrt(np.maximum(np.einsum("nnsk->nsk", self.covariance).real, 0))
        total = np.einsum("nk,nsk->sk", np.abs(self.base), own) ** 2
        return float(self.weights @ total.mean(axis=-1))

    @property
    def allowed_db(self) -> float:
        """Loss that is free of the steep cost: 3 dB, or what merely arriving together loses."""
        plain = self.measures(self.turned(self.start_ms[None], np.ones((1, self.count))))[1]
        return max(LOSS_ALLOWED_DB, float(plain[0])) - LOSS_MARGIN_DB

    def turned(self, delays_ms: Array, signs: Array) -> Complex:
        """Base gains with delays (c, n) and polarity signs (c, n): (c, n, k)."""
        turn = np.exp(-2e-3j * np.pi * delays_ms[..., None] * self.model.centres_hz)
        return signs[..., None] * turn * self.base

    def measures(self, gains: Complex) -> tuple[Array, Array]:
        """Spread and loss in dB of settings (c, n, k), each (c,)."""
        n = self.count
        power = np.zeros((len(gains), *self.covariance.shape[2:]))
        for i in range(n):
            for j in range(i + 1):
                both = gains[:, i] * np.conj(gains[:, j])
                part = (both[:, None] * self.covariance[i, j]).real
                power += part if i == j else 2 * part
        level = 10 * np.log10(np.maximum(power, 1e-30))
        mean = np.einsum("s,csk->ck", self.weights, level)
        square = np.einsum("s,csk->c", self.weights, (level - mean[:, None]) ** 2)
        kept = np.einsum("s,csk->c", self.weights, power) / power.shape[-1]
        loss = 10 * np.log10(self.full_power / kept)
        return np.sqrt(square / power.shape[-1]), loss

    def costs(self, gains: Complex, allowed_db: float) -> Array:
        """Half the squares that the least-squares fit of `problem` sums too, (c,)."""
        spread, loss = self.measures(gains)
        beyond = OVER_WEIGHT * np.maximum(loss - allowed_db, 0)
        return np.asarray(0.5 * (spread**2 + (LOSS_WEIGHT * loss) ** 2 + beyond**2))

    def problem(self, gains: Complex) -> Problem:
        """The problem of spread and loss, starting from base gains (n, k)."""
        rows = Rows(np.eye(len(self.weights)), np.eye(len(self.model.centres_hz)))
        whole = Rows(self.weights[None], np.ones((1, len(self.model.centres_hz))))
        spread = Spread(
            0,
            rows,
            whole,
            self.weights,
            10 * np.log10(self.full_power),
            self.allowed_db,
            LOSS_WEIGHT,
        )
        return Problem(self.model, (gains,), self.rate_hz, (), spreads=(spread,))
