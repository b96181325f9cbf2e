"""What a coefficient format does to each filter, and better roundings where it matters.

Poles of low filters lie at z = 1 + small, so the error of a filter's frequency
grows as 2^-B / (2 pi f0 / fs)^2 with B fraction bits. Neighbouring words often
serve far better than the nearest ones: `better_sections` looks for them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from roomtune.processor.filters import (
    backward_step,
    filter_sections,
    is_stable,
    sections_response,
)
from roomtune.processor.number_format import NumberFormat, number_format, quantised
from roomtune.processor.tuning import Filter, Tuning


@dataclass(frozen=True)
class FormatEffect:
    """The effect of a number format on one filter.

    error_db: largest deviation of level from the filter in double precision,
    from 10 Hz up, where that is above -80 dB; `frequency_hz`: where; `stable`:
    whether the held poles lie inside the unit circle (if not, error_db is inf);
    `saturated`: whether a coefficient was too large for the format.
    """

    error_db: float
    frequency_hz: float
    stable: bool
    saturated: bool


@dataclass(frozen=True)
class PrecisionWarning:
    """A filter that the processor's number format spoils, and what would mend it."""

    where: str
    effect: FormatEffect
    better: FormatEffect
    text: str


def format_effect(item: Filter, sample_rate_hz: float, style: str) -> FormatEffect:
    """The effect of the format `style` on a filter (not "fir"); ValueError if it is not sound."""
    exact = filter_sections(item, sample_rate_hz)
    held = filter_sections(item, sample_rate_hz, style)
    return _effect(exact, held, _grid(item, sample_rate_hz), sample_rate_hz, style)


def better_sections(item: Filter, sample_rate_hz: float, style: str) -> NDArray[np.float64]:
    """Sections in the format `style` with the least level error, shape (sections, 6).

    For each section, all words within one step of the nearest are tried: first
    the poles, then the zeros for them. Never worse than the nearest words.
    """
    grid = _grid(item, sample_rate_hz)
    step = backward_step(grid, sample_rate_hz)
    parsed = number_format(style)
    nearest = filter_sections(item, sample_rate_hz, style)
    exact = filter_sections(item, sample_rate_hz)
    rows = [_best(row, held, step, parsed) for row, held in zip(exact, nearest, strict=True)]
    found = np.array(rows)
    errors = (_effect(exact, s, grid, sample_rate_hz, style).error_db for s in (found, nearest))
    return found if next(errors) <= next(errors) else nearest.copy()


def precision_warnings(
    tuning: Tuning, style: str | None = None, limit_db: float = 0.1
) -> tuple[PrecisionWarning, ...]:
    """Filters that err by more than `limit_db` in the format (None: the tuning's own)."""
    style = style or tuning.number_format
    rate = tuning.sample_rate_hz
    found = []
    for where, item in _filters(tuning):
        effect = format_effect(item, rate, style)
        if effect.error_db <= limit_db:
            continue
        exact = filter_sections(item, rate)
        sections = better_sections(item, rate, style)
        better = _effect(exact, sections, _grid(item, rate), rate, style)
        text = _text(where, item, effect, better, style)
        found.append(PrecisionWarning(where, effect, better, text))
    return tuple(found)


def level_error_db(
    exact: NDArray[np.float64], held: NDArray[np.float64], item: Filter, sample_rate_hz: float
) -> float:
    """Largest level error of held sections against exact ones of a filter; inf if unstable."""
    return _effect(exact, held, _grid(item, sample_rate_hz), sample_rate_hz, "float64").error_db


def _filters(tuning: Tuning) -> Iterator[tuple[str, Filter]]:
    """Every recursive filter with the name of its place."""
    places = [(f"channel {c.name}", c.filters) for c in tuning.channels]
    places += [(f"route {r.channel} to {r.output}", r.filters) for r in tuning.routes]
    places += [(f"output {o.name}", o.filters) for o in tuning.outputs]
    for where, filters in places:
        for number, item in enumerate(filters, start=1):
            if item.type != "fir":
                yield f"{where}, filter {number}", item


def _text(where: str, item: Filter, effect: FormatEffect, better: FormatEffect, style: str) -> str:
    what = f"{where} ({item.type}"
    what += f" at {item.frequency_hz:g} Hz)" if item.frequency_hz else ")"
    if not effect.stable:
        problem = f"would be unstable with coefficients held as {style}"
    else:
        problem = (
            f"errs by {effect.error_db:.2g} dB at {effect.frequency_hz:.3g} Hz "
            f"with coefficients held as {style}"
        )
        problem += " (a coefficient is too large for it)" if effect.saturated else ""
    if better.error_db < min(0.5 * effect.error_db, 6.0):
        remedy = (
            f"neighbouring words bring that to {better.error_db:.2g} dB: enter coefficients, "
            "or look for values beside these that are held better"
        )
    else:
        remedy = (
            "look for values beside these that are held better, or use more fraction bits, "
            "a lower sample rate, a lower Q or a higher frequency"
        )
    return f"{what} {problem}; {remedy}"


def _grid(item: Filter, sample_rate_hz: float) -> NDArray[np.float64]:
    """10 Hz to just below Nyquist, denser about the filter's frequency."""
    top = 0.499 * sample_rate_hz
    points = [np.geomspace(10.0, top, 400)]
    if item.frequency_hz is not None:
        octaves = np.linspace(-1, 1, 101) * max(1.0 / (item.q or 1.0), 0.05) * 2
        points.append(item.frequency_hz * 2**octaves)
    grid = np.unique(np.concatenate(points))
    return grid[(grid >= 10.0) & (grid <= top)]


def _effect(
    exact: NDArray[np.float64],
    held: NDArray[np.float64],
    grid: NDArray[np.float64],
    sample_rate_hz: float,
    style: str,
) -> FormatEffect:
    step = backward_step(grid, sample_rate_hz)
    wanted = np.abs(sections_response(exact, step))
    heard = wanted > 1e-4
    got = np.abs(sections_response(held, step))
    error = np.abs(_db(got[heard]) - _db(wanted[heard]))
    worst = int(np.argmax(error))
    stable = is_stable(held)
    return FormatEffect(
        float(error[worst]) if stable else np.inf,
        float(grid[heard][worst]),
        stable,
        _saturates(exact, number_format(style)),
    )


def _db(magnitude: NDArray[np.float64]) -> NDArray[np.float64]:
    level: NDArray[np.float64] = 20 * np.log10(np.maximum(magnitude, 1e-15))
    return level


def _saturates(sections: NDArray[np.float64], style: NumberFormat) -> bool:
    if style.floating:
        return False
    return bool(np.any(np.abs(quantised(sections, style) - sections) > style.step))


def _neighbours(values: NDArray[np.float64], style: NumberFormat) -> NDArray[np.float64]:
    """All combinations of each held value and its two neighbours, nearest first, (3^n, n)."""
    choices = []
    for value in values:
        if style.floating:
            kind = np.dtype(style.name).type
            around = [value, *(float(np.nextafter(kind(value), kind(e))) for e in (-9, 9))]
        else:
            around = [value, value - style.step, value + style.step]
        choices.append(dict.fromkeys(float(v) for v in quantised(around, style)))
    return np.array(list(product(*choices)))


def _best(
    exact: NDArray[np.float64],
    nearest: NDArray[np.float64],
    step: NDArray[np.complex128],
    style: NumberFormat,
) -> NDArray[np.float64]:
    """The words of one section whose level errs least."""
    wanted = _db(np.abs(sections_response(exact[None], step)))
    heard = wanted > -80
    poles = _neighbours(nearest[4:], style)
    poles = poles[[is_stable(np.array([[0, 0, 0, 1, *pair]])) for pair in poles]]
    if not len(poles):
        return nearest
    lower = _level(np.insert(poles, 0, 1.0, axis=1), step)
    upper = _level(_neighbours(nearest[:3], style), step)
    errors = np.abs(upper[:, None] - lower - wanted)[..., heard].max(axis=-1)
    zero, pole = np.unravel_index(np.argmin(errors), errors.shape)
    zeros = _neighbours(nearest[:3], style)
    return np.array([*zeros[zero], 1.0, *poles[pole]])


def _level(polynomials: NDArray[np.float64], step: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Level of c0 + c1 z^-1 + c2 z^-2 in dB for rows of coefficients, shape (rows, k)."""
    c0, c1, c2 = polynomials.T[:, :, None]
    return _db(np.abs((c0 + c2 + c1) + step * (c1 + 2 * c2 + step * c2)))
