"""Rendering audio through a tuning, exactly as `tuning_response` predicts.

Cascades by scipy.signal.sosfilt in double precision, FIR filters by
overlap-add, delays in whole samples (the rule is in
`roomtune.processor.response`). What has been silent so far costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.processor.filters import filter_sections, filter_taps
from roomtune.processor.limiting import RunningLimiter
from roomtune.processor.response import delay_samples, indexed_routes, signed_gain
from roomtune.processor.tuning import Filter, OutputSetting, Route, Tuning

Samples = NDArray[np.float64]


def render(tuning: Tuning, programme: ArrayLike, limiters: bool = False) -> Samples:
    """What the outputs deliver for a programme at the tuning's sample rate.

    programme: shape (n, channels), full scale 1, in the order of
    `tuning.channels`; returns shape (n, outputs) in the order of
    `tuning.outputs`: what rings on after n samples is cut (append silence to
    keep it). `limiters` lets the output limiters work. Raises ValueError for
    a wrong shape or a filter that is not sound.
    """
    return Renderer(tuning, limiters).process(programme)


class Renderer:
    """A processor that goes on from block to block: `render` in pieces of any length."""

    def __init__(self, tuning: Tuning, limiters: bool = False) -> None:
        self._channels = len(tuning.channels)
        self._outputs = [_Output(tuning, setting, limiters) for setting in tuning.outputs]
        self._sources = [_Chain(tuning, c.filters, c.gain_db) for c in tuning.channels]
        self._routes = [
            (_way(tuning, route), source, end) for route, source, end in indexed_routes(tuning)
        ]

    def process(self, programme: ArrayLike) -> Samples:
        """The next block: shape (n, channels) in, (n, outputs) out; ValueError for another."""
        signal = np.asarray(programme, dtype=np.float64)
        if signal.ndim != 2 or signal.shape[1] != self._channels:
            raise ValueError(f"programme of shape {signal.shape}, expected (n, {self._channels})")
        length = len(signal)
        columns = [np.ascontiguousarray(column) for column in signal.T]
        sources = [
            chain(column if column.any() else None, length)
            for chain, column in zip(self._sources, columns, strict=True)
        ]
        sums: list[Samples | None] = [None] * len(self._outputs)
        for way, source, end in self._routes:
            part = way(sources[source], length)
            total = sums[end]
            if part is not None:
                sums[end] = part if total is None else total + part
        result = np.zeros((length, len(self._outputs)))
        for place, (output, total) in enumerate(zip(self._outputs, sums, strict=True)):
            delivered = output(total, length)
            if delivered is not None:
                result[:, place] = delivered
        return result


class _Chain:
    """Filters, gain, polarity and delay in a row. Silence so far is None."""

    def __init__(
        self,
        tuning: Tuning,
        filters: Iterable[Filter],
        gain_db: float,
        inverted: bool = False,
        delay_ms: float = 0.0,
    ) -> None:
        items, rate, style = tuple(filters), tuning.sample_rate_hz, tuning.number_format
        rows = [filter_sections(f, rate, style) for f in items]
        self._sections = np.concatenate([np.zeros((0, 6)), *rows])
        self._state = np.zeros((len(self._sections), 2))
        self._taps = [filter_taps(f, style) for f in items if f.type == "fir"]
        self._tails = [np.zeros(len(taps) - 1) for taps in self._taps]
        self._gain = signed_gain(gain_db, inverted)
        self._line = np.zeros(delay_samples(delay_ms, rate))
        self._awake = False

    def __call__(self, signal: Samples | None, length: int) -> Samples | None:
        if signal is None:
            if not self._awake:
                return None
            signal = np.zeros(length)
        self._awake = True
        return self._delayed(self._convolved(self._recursive(signal)) * self._gain)

    def _recursive(self, signal: Samples) -> Samples:
        from scipy.signal import sosfilt

        if len(self._sections) and len(signal):
            signal, self._state = sosfilt(self._sections, signal, zi=self._state)
        return signal

    def _convolved(self, signal: Samples) -> Samples:
        from scipy.signal import oaconvolve

        for place, taps in enumerate(self._taps):
            if not len(signal):
                return signal
            whole = oaconvolve(signal, taps)
            tail = self._tails[place]
            whole[: len(tail)] += tail
            signal, self._tails[place] = whole[: len(signal)], whole[len(signal) :]
        return signal

    def _delayed(self, signal: Samples) -> Samples:
        if not len(self._line):
            return signal
        joined = np.concatenate([self._line, signal])
        self._line = joined[len(signal) :]
        return joined[: len(signal)]


class _Output:
    """The chain of an output, and its limiter where that works."""

    def __init__(self, tuning: Tuning, setting: OutputSetting, limiters: bool) -> None:
        gain, inverted, delay = setting.gain_db, setting.inverted, setting.delay_ms
        self._chain = _Chain(tuning, setting.filters, gain, inverted, delay)
        self._limiter = (
            RunningLimiter(setting.limiter, tuning.sample_rate_hz)
            if limiters and setting.limiter is not None
            else None
        )

    def __call__(self, signal: Samples | None, length: int) -> Samples | None:
        delivered = self._chain(signal, length)
        if delivered is None or self._limiter is None:
            return delivered
        return self._limiter(delivered)


def _way(tuning: Tuning, route: Route) -> _Chain:
    return _Chain(tuning, route.filters, route.gain_db, route.inverted, route.delay_ms)
