"""Decaying sinusoids that many signals have in common.

First guesses by the rotational invariance of the signal subspace (R. Roy, T.
Kailath, "ESPRIT - Estimation of Signal Parameters via Rotational Invariance
Techniques", IEEE Trans. ASSP 37, 984-995, 1989), from the summed Hankel
covariance of all signals; then a joint least-squares fit of all poles with the
amplitudes eliminated (G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10,
413-432, 1973; gradient after L. Kaufman, BIT 15, 49-57, 1975).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_AROUND = 0.2  # radians per sample
_SPANNED = 0.02  # of a pole's energy


@dataclass(frozen=True, eq=False)
class PoleFit:
    """Poles per sample shared by all signals, and how each signal excites them.

    turn (m,): angle per sample; loss (m,): decay per sample, both positive;
    amplitudes (signals, m): complex, y = Re sum a e^{(-loss + j turn) i};
    covariance (2m, 2m) of (turn, loss); worth (m,): by how much the summed
    squares would grow without a pole; residual (signals, n).
    """

    turn: NDArray[np.float64]
    loss: NDArray[np.float64]
    amplitudes: NDArray[np.complex128]
    covariance: NDArray[np.float64]
    worth: NDArray[np.float64]
    residual: NDArray[np.float64]


def hankel_covariance(signals: NDArray[np.float64], rows: int) -> NDArray[np.float64]:
    """Sum over signals (c, n) of H H^T of their Hankel matrices with `rows` rows."""
    windows = np.lib.stride_tricks.sliding_window_view(signals, rows, axis=-1)
    flat = windows.reshape(-1, rows)
    return np.asarray(flat.T @ flat)


def subspace_poles(
    vectors: NDArray[np.float64], order: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turn and loss of the poles in the leading `order` eigenvectors (rows, k)."""
    space = vectors[:, -order:]
    shift = np.linalg.lstsq(space[:-1], space[1:], rcond=None)[0]
    poles = np.linalg.eigvals(shift)
    poles = poles[(poles.imag > 0) & (np.abs(poles) < 1)]
    return np.angle(poles), -np.log(np.abs(poles))


def fit_poles(
    signals: NDArray[np.float64],
    turn: NDArray[np.float64],
    loss: NDArray[np.float64],
    known: NDArray[np.float64],
    rounds: int = 30,
) -> PoleFit:
    """Refine the poles by joint least squares over all signals (c, n).

    Levenberg-Marquardt on (turn, loss); amplitudes follow linearly. `known`
    (n, k): orthonormal columns that the signals hold besides, whatever their
    strengths. The covariance counts as noise what is left of the signals around
    each pole's own turn.
    """
    count = len(turn)
    place = np.concatenate([turn, loss])
    signals = signals - (signals @ known) @ known.T
    state = _evaluate(signals, place, known)
    damping = 1e-3
    for _ in range(rounds):
        step = np.linalg.solve(
            state.hessian + damping * np.diag(np.diag(state.hessian)), state.gradient
        )
        trial = place + np.clip(step, -0.05, 0.05)
        trial[count:] = np.maximum(trial[count:], 1e-6)
        trial_state = _evaluate(signals, trial, known)
        if trial_state.cost < state.cost:
            gained = 1 - trial_state.cost / state.cost
            place, state, damping = trial, trial_state, max(damping / 5, 1e-9)
            if gained < 1e-7:
                break
        else:
            damping *= 6
            if damping > 1e6:
                break
    amplitudes = (state.amplitudes[:count] - 1j * state.amplitudes[count:]).T
    noise = _noise_around(place[:count], amplitudes, state.residual.T, known.shape[1])
    spread = np.tile(np.sqrt(noise), 2)
    covariance = np.linalg.pinv(state.hessian) * spread * spread[:, None]
    worth = _worth(state.triangle, state.amplitudes)
    return PoleFit(place[:count], place[count:], amplitudes, covariance, worth, state.residual.T)


def _noise_around(
    turn: NDArray[np.float64],
    amplitudes: NDArray[np.complex128],
    residual: NDArray[np.float64],
    known: int,
) -> NDArray[np.float64]:
    """Variance per sample of white noise as strong as the residual around each pole: (m,).

    Signals count by how strongly a pole excites them. What the poles nearby
    took of the noise, a bin each, is put back.
    """
    signals, count = residual.shape
    power = np.abs(np.fft.rfft(residual, axis=1)) ** 2 / count
    bins = 2 * np.pi * np.arange(power.shape[1]) / count
    reach = max(_AROUND, 16 * np.pi / count)
    near = np.abs(bins - turn[:, None]) <= reach
    crowd = np.sum(np.abs(turn - turn[:, None]) <= reach, axis=1) * (1 + 1 / signals)
    crowd = crowd + known / 2 * near.sum(axis=1) / len(bins)
    energy = np.abs(amplitudes) ** 2
    share = energy / np.maximum(energy.sum(axis=0), 1e-300)
    total = np.einsum("cm,mk,ck->m", share, near.astype(float), power)
    return np.asarray(total / np.maximum(near.sum(axis=1) - crowd, 1.0))


@dataclass(frozen=True, eq=False)
class _State:
    cost: float
    gradient: NDArray[np.float64]
    hessian: NDArray[np.float64]
    amplitudes: NDArray[np.float64]
    triangle: NDArray[np.float64]
    residual: NDArray[np.float64]


def decaying(
    turn: NDArray[np.float64], loss: NDArray[np.float64], length: int
) -> NDArray[np.float64]:
    """Cosines, then sines, of poles (m,): columns (length, 2m)."""
    samples = np.arange(length)[:, None]
    waves = np.exp((-loss + 1j * turn) * samples)
    return np.concatenate([waves.real, waves.imag], axis=1)


def _evaluate(
    signals: NDArray[np.float64], place: NDArray[np.float64], known: NDArray[np.float64]
) -> _State:
    """Cost, descent direction and curvature of the projected problem."""
    count = len(place) // 2
    turn, loss = place[:count], place[count:]
    samples = np.arange(signals.shape[1])[:, None]
    basis = decaying(turn, loss, signals.shape[1])
    cosine, sine = basis[:, :count], basis[:, count:]
    basis = basis - known @ (known.T @ basis)
    orthonormal, triangle = (np.asarray(part, dtype=float) for part in np.linalg.qr(basis))
    inside = orthonormal.T @ signals.T
    ridge = 1e-12 * np.eye(2 * count)
    amplitudes = np.asarray(np.linalg.solve(triangle + ridge, inside), dtype=float)
    residual: NDArray[np.float64] = signals.T - orthonormal @ inside
    # derivatives of the cosine and sine columns by turn, then by loss
    by_turn = np.concatenate([-samples * sine, samples * cosine], axis=1)
    by_loss = np.concatenate([-samples * cosine, -samples * sine], axis=1)
    slopes = np.concatenate([by_turn, by_loss], axis=1)
    spanned = np.concatenate([known, orthonormal], axis=1)
    outside = slopes - spanned @ (spanned.T @ slopes)
    twice = np.concatenate([amplitudes, amplitudes])
    products = (outside.T @ outside) * (twice @ twice.T)
    towards = np.sum((slopes.T @ residual) * twice, axis=1)
    fold = np.tile(np.eye(count), 2)
    gradient = np.concatenate([fold @ towards[: 2 * count], fold @ towards[2 * count :]])
    whole = np.kron(np.eye(2), fold)
    cost = float(np.sum(residual**2))
    return _State(cost, gradient, whole @ products @ whole.T, amplitudes, triangle, residual)


def _worth(triangle: NDArray[np.float64], amplitudes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Growth of the summed squares when one pole's two columns are left out."""
    count = len(triangle) // 2
    inverse = np.linalg.pinv(triangle)
    gram_inverse = inverse @ inverse.T
    pairs = np.stack([np.arange(count), np.arange(count) + count], axis=-1)
    blocks = gram_inverse[pairs[:, :, None], pairs[:, None, :]]
    both = amplitudes[pairs]
    return np.einsum("mis,mij,mjs->m", both, np.linalg.pinv(blocks), both)


def apart(
    turn: NDArray[np.float64], loss: NDArray[np.float64], known: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which poles are not spanned by known columns (n, k) already: (m,)."""
    columns = decaying(turn, loss, len(known))
    rest = columns - known @ (known.T @ columns)
    whole, left = (np.sum(part**2, axis=0).reshape(2, -1).sum(axis=0) for part in (columns, rest))
    return np.asarray(left > _SPANNED * whole)
