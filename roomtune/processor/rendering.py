"""Rendering audio through a tuning, exactly as `tuning_response` predicts.

Cascades by scipy.signal.sosfilt in double precision, FIR filters by
overlap-add, delays in whole samples (the rule is in
`roomtune.processor.response`). Silent channels cost nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.processor.filters import filter_sections, filter_taps
from roomtune.processor.response import delay_samples, indexed_routes, signed_gain
from roomtune.processor.tuning import Filter, Tuning

Samples = NDArray[np.float64]


def render(tuning: Tuning, programme: ArrayLike, limiters: bool = False) -> Samples:
    """What the outputs deliver for a programme at the tuning's sample rate.

    programme: shape (n, channels), full scale 1, in the order of
    `tuning.channels`; returns shape (n, outputs) in the order of
    `tuning.outputs`: what rings on after n samples is cut (append silence to
    keep it). `limiters` lets the output limiters work. Raises ValueError for
    a wrong shape or a filter that is not sound.
    """
    signal = np.asarray(programme, dtype=np.float64)
    if signal.ndim != 2 or signal.shape[1] != len(tuning.channels):
        raise ValueError(f"programme of shape {signal.shape}, expected (n, {len(tuning.channels)})")
    sums = _sums(tuning, signal)
    result = np.zeros((len(signal), len(tuning.outputs)))
    for place, setting in enumerate(tuning.outputs):
        if place not in sums:
            continue
        signal_out = _filtered(tuning, setting.filters, sums[place])
        gain = signed_gain(setting.gain_db, setting.inverted)
        delay = delay_samples(setting.delay_ms, tuning.sample_rate_hz)
        column = result[:, place]
        _add_delayed(column, signal_out, gain, delay)
        if limiters and setting.limiter is not None:
            from roomtune.processor.limiting import limited

            column[:] = limited(column, setting.limiter, tuning.sample_rate_hz)
    return result


def _sums(tuning: Tuning, signal: Samples) -> dict[int, Samples]:
    """Sum of the routes of every output that gets any sound."""
    sources: dict[int, Samples] = {}
    for place, channel in enumerate(tuning.channels):
        column = np.ascontiguousarray(signal[:, place])
        if column.any():
            gain = signed_gain(channel.gain_db, inverted=False)
            sources[place] = _filtered(tuning, channel.filters, column * gain)
    sums: dict[int, Samples] = {}
    for route, source, end in indexed_routes(tuning):
        if source not in sources:
            continue
        way = _filtered(tuning, route.filters, sources[source])
        gain = signed_gain(route.gain_db, route.inverted)
        delay = delay_samples(route.delay_ms, tuning.sample_rate_hz)
        _add_delayed(sums.setdefault(end, np.zeros(len(signal))), way, gain, delay)
    return sums


def _filtered(tuning: Tuning, filters: Iterable[Filter], signal: Samples) -> Samples:
    """The signal after the filters: all recursive sections as one cascade, then the FIRs."""
    from scipy.signal import oaconvolve, sosfilt

    items = tuple(filters)
    rows = [filter_sections(f, tuning.sample_rate_hz, tuning.number_format) for f in items]
    sections = np.concatenate([np.zeros((0, 6)), *rows])
    if len(sections):
        signal = sosfilt(sections, signal)
    for item in items:
        if item.type == "fir":
            signal = oaconvolve(signal, filter_taps(item, tuning.number_format))[: len(signal)]
    return signal


def _add_delayed(total: Samples, signal: Samples, gain: float, delay: int) -> None:
    kept = len(total) - delay
    if kept > 0:
        total[delay:] += gain * signal[:kept]
