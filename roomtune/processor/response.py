"""The exact response of a tuning: from every channel to every output.

The one rule of delays: each delay (route, output) is a whole number of samples
of the processor, the nearest to `delay_ms` (halves to even). Prediction and
`roomtune.processor.rendering` both follow it. While searching, a delay may be
taken as continuous (`whole_samples=False`).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.processor.filters import backward_step, response_at_step
from roomtune.processor.tuning import Filter, Route, Tuning


def delay_samples(delay_ms: float, sample_rate_hz: float) -> int:
    """Whole samples that the processor delays by; ValueError for a negative delay."""
    if not delay_ms >= 0:
        raise ValueError(f"a delay cannot be {delay_ms:g} ms")
    return round(delay_ms * sample_rate_hz / 1000)


def signed_gain(gain_db: float, inverted: bool) -> float:
    """The factor of a gain and a polarity."""
    return float((-1.0 if inverted else 1.0) * 10 ** (gain_db / 20))


def tuning_response(
    tuning: Tuning, frequencies_hz: ArrayLike, *, whole_samples: bool = True
) -> NDArray[np.complex128]:
    """Complex response of channel to output, shape (channels, outputs, k).

    Order of `tuning.channels` and `tuning.outputs`; limiters are not working.
    Raises ValueError for frequencies beyond Nyquist, filters that are not
    sound, and routes that name an unknown channel or output.
    """
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    chain = _Chain(tuning, frequencies, whole_samples)
    sources = [chain(c.filters, c.gain_db) for c in tuning.channels]
    ends = [chain(o.filters, o.gain_db, o.inverted, o.delay_ms) for o in tuning.outputs]
    total = np.zeros((len(sources), len(ends), *frequencies.shape), dtype=np.complex128)
    for route, source, end in indexed_routes(tuning):
        way = chain(route.filters, route.gain_db, route.inverted, route.delay_ms)
        total[source, end] += sources[source] * way * ends[end]
    return total


def output_response(
    tuning: Tuning, output: str, frequencies_hz: ArrayLike, *, whole_samples: bool = True
) -> NDArray[np.complex128]:
    """Response of one output's own setting (filters, gain, polarity, delay), shape (k,)."""
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    o = tuning.output(output)
    chain = _Chain(tuning, frequencies, whole_samples)
    return chain(o.filters, o.gain_db, o.inverted, o.delay_ms)


def indexed_routes(tuning: Tuning) -> list[tuple[Route, int, int]]:
    """Routes with the places of their channel and output; ValueError for an unknown one."""
    channels = {c.name: place for place, c in enumerate(tuning.channels)}
    outputs = {o.name: place for place, o in enumerate(tuning.outputs)}
    for route in tuning.routes:
        if route.channel not in channels or route.output not in outputs:
            raise ValueError(f"route {route.channel!r} -> {route.output!r}: no such way")
    return [(r, channels[r.channel], outputs[r.output]) for r in tuning.routes]


class _Chain:
    """Response of gain, polarity, delay and filters in a row, on one grid."""

    def __init__(
        self, tuning: Tuning, frequencies_hz: NDArray[np.float64], whole_samples: bool
    ) -> None:
        self._rate = tuning.sample_rate_hz
        self._format = tuning.number_format
        self._whole = whole_samples
        self._frequencies = frequencies_hz
        self._step = backward_step(frequencies_hz, self._rate)
        self._known: dict[Filter, NDArray[np.complex128]] = {}

    def __call__(
        self,
        filters: Iterable[Filter],
        gain_db: float,
        inverted: bool = False,
        delay_ms: float = 0.0,
    ) -> NDArray[np.complex128]:
        gain = signed_gain(gain_db, inverted)
        total = np.full(self._frequencies.shape, gain, dtype=np.complex128)
        if delay_ms:
            total *= self._delay(delay_ms)
        for item in filters:
            total *= self._filter(item)
        return total

    def _filter(self, item: Filter) -> NDArray[np.complex128]:
        """Response of a filter; of taps, which often stand on several outputs, only once."""
        if item.type != "fir":
            return response_at_step(item, self._rate, self._frequencies, self._step, self._format)
        if item not in self._known:
            self._known[item] = response_at_step(
                item, self._rate, self._frequencies, self._step, self._format
            )
        return self._known[item]

    def _delay(self, delay_ms: float) -> NDArray[np.complex128]:
        delay_s = delay_ms / 1000
        if self._whole:
            delay_s = delay_samples(delay_ms, self._rate) / self._rate
        turn: NDArray[np.complex128] = np.exp(-2j * np.pi * delay_s * self._frequencies)
        return turn
