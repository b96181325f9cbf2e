"""The full setting of the processor, as it will hold it.

A channel's signal passes its channel filters and gain, then each of its
routes; each output sums its routes, then applies filters, gain, polarity,
delay and limiter. Reading and writing tuning.json is in
`roomtune.processor.storage`, the exact response in `roomtune.processor.response`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal, TypeVar

FilterType = Literal[
    "peaking",
    "low shelf",
    "high shelf",
    "low pass",
    "high pass",
    "all pass",
    "notch",
    "biquad",
    "fir",
]
Family = Literal["Butterworth", "Linkwitz-Riley", "Bessel"]


@dataclass(frozen=True)
class Filter:
    """One filter. Which fields are set depends on `type`.

    peaking, shelves: frequency_hz, q, gain_db. notch, all pass: frequency_hz,
    q. low/high pass: frequency_hz and either q (second order) or family with
    order. biquad: b, a with a[0] = 1. fir: taps.
    """

    type: FilterType
    frequency_hz: float | None = None
    q: float | None = None
    gain_db: float | None = None
    family: Family | None = None
    order: int | None = None
    b: tuple[float, ...] | None = None
    a: tuple[float, ...] | None = None
    taps: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Limiter:
    """Peak limiter of an output."""

    threshold_dbfs: float
    attack_ms: float = 10.0
    release_ms: float = 200.0


@dataclass(frozen=True)
class ChannelSetting:
    """What happens to a programme channel before it is routed."""

    name: str
    gain_db: float = 0.0
    filters: tuple[Filter, ...] = ()


@dataclass(frozen=True)
class Route:
    """The way of one channel to one output."""

    channel: str
    output: str
    gain_db: float = 0.0
    inverted: bool = False
    delay_ms: float = 0.0
    filters: tuple[Filter, ...] = ()


@dataclass(frozen=True)
class OutputSetting:
    """What happens to the sum of the routes of one output."""

    name: str
    number: int
    gain_db: float = 0.0
    inverted: bool = False
    delay_ms: float = 0.0
    filters: tuple[Filter, ...] = ()
    limiter: Limiter | None = None


@dataclass(frozen=True)
class Tuning:
    """The full setting of the processor.

    `number_format`: how the processor holds filter coefficients; the response
    and the rendering use the coefficients so rounded.
    """

    sample_rate_hz: float
    channels: tuple[ChannelSetting, ...] = field(default=())
    routes: tuple[Route, ...] = field(default=())
    outputs: tuple[OutputSetting, ...] = field(default=())
    number_format: str = "float64"

    def output(self, name: str) -> OutputSetting:
        """The setting of the output of that name; KeyError when there is none."""
        return next_named(self.outputs, name)

    def channel(self, name: str) -> ChannelSetting:
        """The setting of the channel of that name; KeyError when there is none."""
        return next_named(self.channels, name)


_Named = TypeVar("_Named", ChannelSetting, OutputSetting)


def next_named(items: Iterable[_Named], name: str) -> _Named:
    """The first item of that name; KeyError when there is none."""
    for item in items:
        if item.name == name:
            return item
    raise KeyError(name)
