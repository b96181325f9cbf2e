"""The level meter as people see it: one line that moves, or a line a second where none can."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from roomtune.capture.meter import BLOCK_S, Level

if TYPE_CHECKING:
    from rich.console import Console

LOWEST_DB = -80.0
WIDTH = 40
LINES_PER_S = 1.0


def meter_line(level: Level, offset_db: float | None = None) -> str:
    """One line: bar, level, peak, highest peak, clipping; pressure where it is known."""
    filled = _place(level.rms_db)
    peak = _place(level.peak_db)
    bar = "".join("#" if k < filled else "|" if k == peak - 1 else "." for k in range(WIDTH))
    parts = [f"[{bar}]", f"level {level.rms_db:6.1f}", f"peak {level.peak_db:6.1f}"]
    parts += [f"highest {level.highest_db:6.1f} dB re full scale"]
    if offset_db is not None:
        parts.append(f"= {level.rms_db + offset_db:.1f} dB of sound pressure")
    if level.clipped:
        parts.append(f"CLIPPED ({level.clipped} samples)")
    return "  ".join(parts)


def _place(level_db: float) -> int:
    """How many of the bar's places a level fills."""
    share = (level_db - LOWEST_DB) / -LOWEST_DB
    return round(WIDTH * min(max(share, 0.0), 1.0))


class Meter:
    """Shows every level it is told; remembers the last."""

    def __init__(self, console: Console, live: Any, offset_db: float | None) -> None:
        self.console = console
        self.live = live
        self.offset_db = offset_db
        self.level = Level()
        self.mean_db: float | None = None
        self._blocks = 0

    def show(self, level: Level) -> None:
        """Show a level: in place on a terminal, else once a second."""
        self.level = level
        self._blocks += 1
        if self.live is not None:
            self.live.update(meter_line(level, self.offset_db))
        elif self._blocks % round(1 / (LINES_PER_S * BLOCK_S)) == 0:
            self.console.print(meter_line(level, self.offset_db), soft_wrap=True)

    def summary(self) -> dict[str, float | int | None]:
        """The mean level and the highest peak, as plain values."""
        level_db = self._level_db
        pressure = None if self.offset_db is None else level_db + self.offset_db
        return {
            "level_dbfs": level_db,
            "pressure_level_db": pressure,
            "highest_peak_dbfs": self.level.highest_db,
            "clipped_samples": self.level.clipped,
        }

    @property
    def _level_db(self) -> float:
        """The mean over the whole time; the last level when it was cut short."""
        return self.level.rms_db if self.mean_db is None else self.mean_db

    def sentence(self) -> str:
        """The same in words."""
        told = "Last" if self.mean_db is None else "Mean"
        told += f" {self._level_db:.1f} dB, highest peak {self.level.highest_db:.1f} dB"
        told += " re full scale"
        if self.offset_db is not None:
            told += f"; {self._level_db + self.offset_db:.1f} dB of sound pressure"
        if self.level.clipped:
            told += f"; {self.level.clipped} samples clipped: turn the gain down"
        return told + "."


@contextmanager
def shown_levels(offset_db: float | None) -> Iterator[Meter]:
    """A meter on the error stream."""
    from rich.console import Console
    from rich.live import Live

    console = Console(stderr=True, markup=False, highlight=False)
    if not console.is_terminal:
        yield Meter(console, None, offset_db)
        return
    with Live(console=console, refresh_per_second=12, transient=True) as live:
        yield Meter(console, live, offset_db)
