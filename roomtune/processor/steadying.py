"""Nearby values of a filter that a coarse number format holds better.

Where only frequency, Q and gain can be entered, the processor rounds the
coefficients by itself. Since poles near z = 1 can stand only at a few places,
a frequency one step beside the wanted one often comes out far closer to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from roomtune.processor.capabilities import Capabilities
from roomtune.processor.filters import filter_sections
from roomtune.processor.precision import level_error_db
from roomtune.processor.rounding import rounded_filter
from roomtune.processor.tuning import Filter, Tuning

_FREQUENCY_RATIOS = 1 + np.linspace(-0.03, 0.03, 31)
_Q_RATIOS = (1.0, 0.99, 1.01, 0.98, 1.02, 0.96, 1.04, 0.93, 1.07, 0.9, 1.1)
_WORTH_IT = 0.7


def steadied(tuning: Tuning, processor: Capabilities, limit_db: float = 0.1) -> Tuning:
    """The tuning with nearby values for filters that its number format spoils.

    A filter changes only if it errs by more than `limit_db` as held and a
    neighbour within 3 % of frequency and 10 % of Q errs by less than 70 % of that.
    """

    def better(filters: tuple[Filter, ...]) -> tuple[Filter, ...]:
        return tuple(steadied_filter(f, tuning, processor, limit_db) for f in filters)

    return replace(
        tuning,
        channels=tuple(replace(c, filters=better(c.filters)) for c in tuning.channels),
        routes=tuple(replace(r, filters=better(r.filters)) for r in tuning.routes),
        outputs=tuple(replace(o, filters=better(o.filters)) for o in tuning.outputs),
    )


def steadied_filter(
    item: Filter, tuning: Tuning, processor: Capabilities, limit_db: float = 0.1
) -> Filter:
    """The filter, or its neighbour on the processor's steps that is held far better."""
    rate, style = tuning.sample_rate_hz, tuning.number_format
    if item.frequency_hz is None or style == "float64":
        return item
    wanted = filter_sections(item, rate)

    def error_db(candidate: Filter) -> float:
        held = filter_sections(candidate, rate, style)
        return level_error_db(wanted, held, item, rate)

    own = error_db(item)
    if own <= limit_db:
        return item
    best = min(_neighbours(item, processor), key=error_db)
    return best if error_db(best) <= _WORTH_IT * own else item


def _neighbours(item: Filter, processor: Capabilities) -> Iterator[Filter]:
    """Values about those of the filter, nearest Q first, on the processor's steps."""
    frequency_hz = item.frequency_hz or 0.0
    for q_ratio in _Q_RATIOS if item.q is not None else (1.0,):
        q = None if item.q is None else item.q * q_ratio
        for ratio in _FREQUENCY_RATIOS.tolist():
            yield rounded_filter(replace(item, frequency_hz=frequency_hz * ratio, q=q), processor)
