"""The figures as plain values: drawn by `figures` (matplotlib) and by the HTML report alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Role = Literal["before", "after", "target", "measured", "seat", "part", "sum", "limit"]
FREQUENCY_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


@dataclass(frozen=True, eq=False)
class Line:
    """One curve: its name, what it stands for, its values (k,) and whether it is shown at first.

    `colour` numbers the palette for lines of the roles "seat" and "part";
    the other roles have colours of their own.
    """

    name: str
    values: NDArray[np.float64]
    role: Role = "part"
    colour: int = 0
    shown: bool = True


@dataclass(frozen=True, eq=False)
class Plot:
    """One figure. `x` (k,) in the unit of `x_label`; `logarithmic` for frequency axes.

    `y_range`: fixed limits, or None to fit the lines. `caption` describes the
    figure for those who cannot see it; `explanation` tells what to look for,
    once for all figures of a group.
    """

    key: str
    group: str
    title: str
    caption: str
    x: NDArray[np.float64]
    lines: tuple[Line, ...]
    x_label: str = "frequency in Hz"
    y_label: str = "level in dB"
    logarithmic: bool = True
    y_range: tuple[float, float] | None = None
    x_range: tuple[float, float] | None = None
    explanation: str = ""

    @property
    def x_limits(self) -> tuple[float, float]:
        """Ends of the x axis: given, else 20 Hz to 20 kHz, else those of `x`."""
        if self.x_range is not None:
            return self.x_range
        return (20.0, 20e3) if self.logarithmic else (float(self.x[0]), float(self.x[-1]))


def tick_text(frequency_hz: float) -> str:
    """A frequency as engineers write it on an axis: 20, 500, 1k, 20k."""
    return f"{frequency_hz / 1000:g}k" if frequency_hz >= 1000 else f"{frequency_hz:g}"
