"""Level over frequency and time as a picture, stems, and figures of several parts.

The colour map (cividis) rises evenly in lightness, so that it reads the same
to colour-blind eyes and in grey; lines stand every 10 dB.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from roomtune.report.figures import SETTINGS, draw_plot
from roomtune.report.plots import FREQUENCY_TICKS_HZ, Plot, tick_text
from roomtune.report.settings_pdf import plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_IN, HEIGHT_IN = 7.2, 3.6
FORMS = ("png", "svg", "pdf")
STEP_DB = 10


@dataclass(frozen=True, eq=False)
class Surface:
    """Level (t, k) in dB over times_ms (t,) and frequencies_hz (k,).

    Shown down to `range_db` under its highest value, which stands at 0 dB; with
    `each`, every frequency under its own highest value.
    """

    title: str
    times_ms: NDArray[np.float64]
    frequencies_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    range_db: float = 40.0
    each: bool = False


@dataclass(frozen=True, eq=False)
class Stems:
    """Single values at single places: x (n,), heights (n,), each with a label or "".

    limit: heights at x above which a stem counts as high, drawn as a line. foot: the
    height where stems begin.
    """

    title: str
    x: NDArray[np.float64]
    heights: NDArray[np.float64]
    labels: tuple[str, ...]
    x_label: str
    y_label: str
    limit: NDArray[np.float64] | None = None
    limit_name: str = ""
    logarithmic: bool = False
    foot: float = 0.0


Part = Plot | Surface | Stems


def figure(parts: Sequence[Part]) -> Figure:
    """Draw parts one below the other; one legend for all lines."""
    from matplotlib.figure import Figure

    drawn = Figure(figsize=(WIDTH_IN, HEIGHT_IN * len(parts) + 0.3), layout="constrained")
    handles: dict[str, Any] = {}
    for place, part in enumerate(parts, start=1):
        axes = drawn.add_subplot(len(parts), 1, place)
        if isinstance(part, Surface):
            _draw_surface(drawn, axes, part)
            continue
        if isinstance(part, Stems):
            _draw_stems(axes, part)
        else:
            draw_plot(axes, part)
        found = zip(*reversed(axes.get_legend_handles_labels()), strict=True)
        handles = {**dict(found), **handles}
    if len(handles) > 1 or any(isinstance(part, Stems) for part in parts):
        drawn.legend(
            handles.values(), handles.keys(), loc="outside lower center",
            ncols=min(len(handles), 4), frameon=False, fontsize=8,
        )  # fmt: skip
    return drawn


def figure_bytes(parts: Sequence[Part], form: str, title: str) -> bytes:
    """Draw parts as the content of a file: "png", "svg" or "pdf"; the same every time.

    Raises ValueError for any other form, and for no parts.
    """
    if form not in FORMS or not parts:
        raise ValueError(f"{len(parts)} parts as {form!r}; a figure is one of {FORMS}")
    import matplotlib as mpl

    dates: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {}}
    target = io.BytesIO()
    with mpl.rc_context(SETTINGS):
        figure(parts).savefig(
            target, format=form, metadata={**dates[form], "Title": title}, dpi=140
        )
    return target.getvalue()


def _draw_surface(drawn: Figure, axes: Any, surface: Surface) -> None:
    axis = 0 if surface.each else None
    level = surface.level_db - np.max(surface.level_db, axis=axis, keepdims=True)
    shown = np.clip(level, -surface.range_db, 0)
    mesh = axes.pcolormesh(
        surface.frequencies_hz, surface.times_ms, shown, cmap="cividis",
        vmin=-surface.range_db, vmax=0, shading="nearest", rasterized=True,
    )  # fmt: skip
    steps = np.arange(-surface.range_db + STEP_DB, 0, STEP_DB)
    lines = axes.contour(
        surface.frequencies_hz, surface.times_ms, shown, levels=steps, colors="white",
        linewidths=0.6, linestyles="solid", alpha=0.7,
    )  # fmt: skip
    _frequency_axis(axes, *surface.frequencies_hz[[0, -1]])
    axes.set_title(plain(surface.title), loc="left", fontsize=10.5, fontweight="bold")
    axes.set_xlabel("frequency in Hz")
    axes.set_ylabel("time in ms")
    highest = "dB re each frequency's highest" if surface.each else "dB re the highest"
    drawn.colorbar(mesh, ax=axes, label=f"level in {highest}", pad=0.01).add_lines(lines)


def _draw_stems(axes: Any, stems: Stems) -> None:
    axes.vlines(stems.x, stems.foot, stems.heights, color="#1b5e9e", linewidth=1.4)
    axes.plot(stems.x, stems.heights, "o", color="#1b5e9e", markersize=4)
    for x, height, label in zip(stems.x, stems.heights, stems.labels, strict=True):
        axes.annotate(
            plain(label), (x, height), xytext=(0, 5), textcoords="offset points", rotation=90,
            ha="center", va="bottom", fontsize=6.5,
        )  # fmt: skip
    if stems.limit is not None:
        axes.plot(
            stems.x, stems.limit, color="#a83a12", linestyle=(0, (3, 3)), label=stems.limit_name
        )
    if stems.logarithmic and len(stems.x):
        _frequency_axis(axes, 0.9 * stems.x[0], 1.1 * stems.x[-1])
    top = float(np.max(stems.heights, initial=stems.foot))
    axes.set_ylim(stems.foot, top + 0.3 * max(top - stems.foot, 1e-3))
    axes.set_title(plain(stems.title), loc="left", fontsize=10.5, fontweight="bold")
    axes.set_xlabel(stems.x_label)
    axes.set_ylabel(stems.y_label)
    axes.grid(visible=True, color="#d9dde0", linewidth=0.6)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _frequency_axis(axes: Any, low: float, high: float) -> None:
    axes.set_xscale("log")
    ticks = [t for t in FREQUENCY_TICKS_HZ if low <= t <= high * 1.001]
    axes.set_xticks(ticks, [tick_text(t) for t in ticks])
    axes.minorticks_off()
    axes.set_xlim(low, high)
