"""What a tuning needs to know of a processor; `roomtune.system.model.Processor` has it all."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol


class Knob(Protocol):
    """Lowest and highest value and the step between values (0: continuous)."""

    @property
    def minimum(self) -> float:
        """Lowest value."""

    @property
    def maximum(self) -> float:
        """Highest value."""

    @property
    def step(self) -> float:
        """Step between values, counted from the minimum."""


class Capabilities(Protocol):
    """Counts, ranges and formats of a processor."""

    @property
    def sample_rate_hz(self) -> int:
        """Rate at which it works."""

    @property
    def filters_per_channel(self) -> int:
        """Parametric sections of a channel."""

    @property
    def filters_per_route(self) -> int:
        """Parametric sections of a route."""

    @property
    def filters_per_output(self) -> int:
        """Parametric sections of an output, crossovers not counted."""

    @property
    def filter_types(self) -> tuple[Any, ...]:
        """Types of parametric sections."""

    @property
    def crossovers(self) -> Mapping[Any, tuple[int, ...]]:
        """Orders that each family offers."""

    @property
    def delay_ms(self) -> Knob:
        """Delay of routes and outputs."""

    @property
    def gain_db(self) -> Knob:
        """Gain of channels, routes and outputs."""

    @property
    def filter_gain_db(self) -> Knob:
        """Gain of a parametric section."""

    @property
    def filter_q(self) -> Knob:
        """Q of a parametric section."""

    @property
    def filter_frequency_hz(self) -> Knob:
        """Frequency of all filters."""

    @property
    def frequency_significant_digits(self) -> int:
        """Significant digits of a frequency, 0 for any."""

    @property
    def route_gains(self) -> bool:
        """Whether routes have gains of their own."""

    @property
    def route_delays(self) -> bool:
        """Whether routes have delays of their own."""

    @property
    def limiters(self) -> bool:
        """Whether outputs have limiters."""

    @property
    def number_format(self) -> str:
        """Format of the coefficients."""

    @property
    def fir_taps_per_output(self) -> int:
        """Taps of FIR filters that an output can hold."""
