"""No output is boosted beyond the wish, however many filters boost at one place.

What a driver and its amplifier see is the net response of all filters of the
output, so that is what `wishes.maximum_boost_db` bounds. But a boost that a
cut undoes again wastes both, is fragile where they do not meet exactly, and
raises the level between the filters; so the boosts alone may exceed the wish
by half of it, at most 3 dB.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.objective import most_beyond_db
from roomtune.advisor.settings import with_outputs
from roomtune.processor.gradient import magnitude_db
from roomtune.processor.rounding import rounded_to
from roomtune.processor.tuning import Filter, OutputSetting, Tuning
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import System

MOVABLE = ("peaking", "low shelf", "high shelf")
POINTS_PER_OCTAVE = 48
WITHIN_DB = 0.01
Array = NDArray[np.float64]


def within_boost(system: System, tuning: Tuning) -> Tuning:
    """The tuning with boosts taken back until no output exceeds `wishes.maximum_boost_db`.

    What counts is `boost_db`. The filter that boosts most there goes down step by step.
    """
    changed = {o.name: _bounded(system, o, tuning.sample_rate_hz) for o in tuning.outputs}
    return with_outputs(tuning, changed)


def boost_db(
    filters: tuple[Filter, ...], sample_rate_hz: float, limit_db: float
) -> tuple[float, float]:
    """Most boost of an output's filters, dB (0 for none), and where, Hz.

    Of the boosting ones together with the others, which count where they cut, or
    of the boosting ones alone less what they may exceed the limit by, whichever is more.
    """
    frequencies = _grid_hz(sample_rate_hz)
    movable = [f for f in filters if f.type in MOVABLE]
    alone = magnitude_db([f for f in movable if _boosts(f)], frequencies, sample_rate_hz)
    cut = magnitude_db([f for f in movable if not _boosts(f)], frequencies, sample_rate_hz)
    level = alone + np.maximum(np.minimum(cut, 0.0), -most_beyond_db(limit_db))
    place = int(np.argmax(level))
    return max(float(level[place]), 0.0), float(frequencies[place])


def _bounded(system: System, output: OutputSetting, sample_rate_hz: float) -> OutputSetting:
    knob, limit = system.processor.filter_gain_db, system.wishes.maximum_boost_db
    filters, step = output.filters, max(knob.step, 0.1)
    while True:
        most, where_hz = boost_db(filters, sample_rate_hz, limit)
        place = _strongest(filters, where_hz, sample_rate_hz)
        if most <= limit + WITHIN_DB or place is None:
            return replace(output, filters=filters)
        gain = max(rounded_to((filters[place].gain_db or 0.0) - step, knob), 0.0)
        item = replace(filters[place], gain_db=gain)
        filters = (*filters[:place], item, *filters[place + 1 :])


def _strongest(
    filters: tuple[Filter, ...], frequency_hz: float, sample_rate_hz: float
) -> int | None:
    """The place of the boosting filter that lifts a frequency most; None without any."""
    lifts = {
        place: float(magnitude_db([item], [frequency_hz], sample_rate_hz)[0])
        for place, item in enumerate(filters)
        if _boosts(item)
    }
    return max(lifts, key=lambda place: lifts[place]) if lifts else None


def _boosts(item: Filter) -> bool:
    return item.type in MOVABLE and (item.gain_db or 0.0) > 0


def _grid_hz(sample_rate_hz: float) -> Array:
    return log_frequencies_hz(10.0, min(20e3, 0.49 * sample_rate_hz), POINTS_PER_OCTAVE)
