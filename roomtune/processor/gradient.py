"""Levels of many parametric sections with their exact derivatives, well conditioned.

With x = sin^2(w/2), x0 = sin^2(w0/2), p = x (1 - x0), r = x0 (1 - x), the
digital filter has u^2 = p / r for the prototype's s = j u, and every section
of the W3C Audio EQ Cookbook reads

    |H|^2 = ((n0 r - n2 p)^2 + n1^2 p r) / ((d0 r - d2 p)^2 + d1^2 p r)

in which nothing cancels at low frequencies (the form in cos w does). Errors
against exact arithmetic: below 1e-12 dB from 1 Hz at 192 kHz.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.processor.prototypes import POWERS_OF_A, second_order
from roomtune.processor.tuning import Filter

Array = NDArray[np.float64]
_DB = 10 / np.log(10)
_A_PER_DB = np.log(10) / 40


def sections_level_db(
    types: Sequence[str], parameters: ArrayLike, frequencies_hz: ArrayLike, sample_rate_hz: float
) -> Array:
    """Level of every section, dB.

    types: n of "peaking", "low shelf", "high shelf" (also "low pass", "high
    pass", "all pass", "notch", which ignore the gain). parameters: shape
    (n, 3), columns frequency_hz, q, gain_db. frequencies_hz: shape (k,),
    0 to Nyquist. Returns shape (n, k). Raises ValueError for a wrong shape.
    """
    values = _parameters(types, parameters)
    p, r = _grid(values[:, 0], frequencies_hz, sample_rate_hz)
    coefficients, _, _ = _prototypes(types, values)
    upper, lower = coefficients[:3, :, None], coefficients[3:, :, None]
    return _level_db(_power(upper, p, r), _power(lower, p, r))


def sections_level_and_gradient(
    types: Sequence[str], parameters: ArrayLike, frequencies_hz: ArrayLike, sample_rate_hz: float
) -> tuple[Array, Array]:
    """Level (n, k) in dB and its derivatives (n, 3, k).

    Arguments as for `sections_level_db`. The derivatives are by frequency_hz
    (dB per Hz), q (dB per unit) and gain_db (dB per dB).
    """
    values = _parameters(types, parameters)
    p, r = _grid(values[:, 0], frequencies_hz, sample_rate_hz)
    coefficients, by_q, by_gain = _prototypes(types, values)
    upper, lower = coefficients[:3, :, None], coefficients[3:, :, None]
    numerator = np.maximum(_power(upper, p, r), 1e-300)
    denominator = _power(lower, p, r)
    slopes = np.empty((len(values), 3, p.shape[1]))
    slopes[:, 0] = _by_p_and_r(upper, p, r, values[:, 0], sample_rate_hz) / numerator
    slopes[:, 0] -= _by_p_and_r(lower, p, r, values[:, 0], sample_rate_hz) / denominator
    for place, change in ((1, by_q), (2, by_gain)):
        slopes[:, place] = _by_coefficients(upper, change[:3, :, None], p, r) / numerator
        slopes[:, place] -= _by_coefficients(lower, change[3:, :, None], p, r) / denominator
    return _level_db(numerator, denominator), _DB * slopes


def magnitude_db(
    filters: Sequence[Filter], frequencies_hz: ArrayLike, sample_rate_hz: float
) -> Array:
    """Summed level of parametric filters in dB, shape (k,); zeros for none."""
    if not filters:
        return np.zeros(np.shape(frequencies_hz))
    types = [item.type for item in filters]
    rows = np.array([(f.frequency_hz, f.q, f.gain_db or 0.0) for f in filters], dtype=np.float64)
    return np.asarray(sections_level_db(types, rows, frequencies_hz, sample_rate_hz).sum(axis=0))


def _parameters(types: Sequence[str], parameters: ArrayLike) -> Array:
    values = np.asarray(parameters, dtype=np.float64)
    if values.shape != (len(types), 3):
        raise ValueError(f"parameters of shape {values.shape}, expected ({len(types)}, 3)")
    return values


def _grid(own_hz: Array, frequencies_hz: ArrayLike, sample_rate_hz: float) -> tuple[Array, Array]:
    """p and r of the module's text, shape (n, k)."""
    turn = np.pi / sample_rate_hz
    angle, own = turn * np.asarray(frequencies_hz, dtype=np.float64), turn * own_hz[:, None]
    p = (np.sin(angle) * np.cos(own)) ** 2
    r = (np.cos(angle) * np.sin(own)) ** 2
    return p, r


def _power(c: Array, p: Array, r: Array) -> Array:
    c0, c1, c2 = c
    power: Array = (c0 * r - c2 * p) ** 2 + (c1 * c1) * (p * r)
    return power


def _level_db(numerator: Array, denominator: Array) -> Array:
    level: Array = _DB * np.log(np.maximum(numerator / denominator, 1e-60))
    return level


def _by_p_and_r(c: Array, p: Array, r: Array, own_hz: Array, sample_rate_hz: float) -> Array:
    """Derivative of `_power` by the section's frequency."""
    turn = np.pi / sample_rate_hz
    tangent = np.tan(turn * own_hz)[:, None]
    p_slope, r_slope = -2 * turn * tangent * p, 2 * turn / tangent * r
    c0, c1, c2 = c
    difference = 2 * (c0 * r - c2 * p)
    slope: Array = difference * (c0 * r_slope - c2 * p_slope)
    slope += c1 * c1 * (p_slope * r + p * r_slope)
    return slope


def _by_coefficients(c: Array, change: Array, p: Array, r: Array) -> Array:
    """Derivative of `_power` for the given change of the coefficients."""
    (c0, c1, c2), (e0, e1, e2) = c, change
    slope: Array = 2 * ((c0 * r - c2 * p) * (e0 * r - e2 * p) + c1 * e1 * (p * r))
    return slope


def _prototypes(types: Sequence[str], values: Array) -> tuple[Array, Array, Array]:
    """n0 n1 n2 d0 d1 d2 of all sections and their derivatives by q and gain, each (6, n)."""
    coefficients, by_q, by_gain = np.zeros((3, 6, len(types)))
    kinds = np.asarray(types)
    for kind in dict.fromkeys(types):
        chosen = kinds == kind
        q, gain_db = values[chosen, 1], values[chosen, 2]
        rows = _of_kind(kind, q, gain_db)
        coefficients[:, chosen] = rows
        by_q[1, chosen], by_q[4, chosen] = -rows[1] / q, -rows[4] / q
        powers = POWERS_OF_A.get(kind)
        if powers is not None:
            by_gain[:, chosen] = rows * np.array(powers)[:, None] * _A_PER_DB
    return coefficients, by_q, by_gain


def _of_kind(kind: str, q: Array, gain_db: Array) -> Array:
    """Coefficients of sections of one kind, shape (6, n), from its prototype at Q 1, 0 dB."""
    unit = second_order(kind, 1.0)
    rows = np.repeat(np.array([*unit.numerator, *unit.denominator])[:, None], len(q), axis=1)
    if kind in POWERS_OF_A:
        rows = rows * np.exp(np.array(POWERS_OF_A[kind])[:, None] * gain_db * _A_PER_DB)
    rows[[1, 4]] /= q
    return rows
