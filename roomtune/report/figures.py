"""The report's figures drawn with matplotlib: SVG, PNG or PDF files.

Light ground, thin grid, direct labels; lines differ in colour and in dashes,
so that they are told apart without colour too.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from roomtune.report.plots import FREQUENCY_TICKS_HZ, Line, Plot, tick_text
from roomtune.report.settings_pdf import plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PALETTE = (
    "#1b5e9e", "#c4531b", "#12806a", "#8a4f9e", "#a67c00", "#4a9fd0", "#b8476d", "#5c6b73",
)  # fmt: skip
DASHES = ("solid", (0, (6, 2)), (0, (2, 1.5)), (0, (7, 2, 1.5, 2)))
ROLE_STYLES: dict[str, dict[str, Any]] = {
    "before": {"color": "#8a6d5a", "linestyle": (0, (4, 2)), "linewidth": 1.3},
    "after": {"color": "#1b5e9e", "linewidth": 2.0},
    "target": {"color": "#222222", "linestyle": (0, (1, 2)), "linewidth": 1.4},
    "measured": {"color": "#c4531b", "linewidth": 1.5},
    "sum": {"color": "#1d2326", "linewidth": 2.0},
    "limit": {"color": "#a83a12", "linestyle": (0, (3, 3)), "linewidth": 1.0},
}
SETTINGS: Any = {"svg.hashsalt": "roomtune", "svg.fonttype": "path", "font.size": 9}


def figure(plot: Plot, *, everything: bool = False) -> Figure:
    """Draw a plot; with `everything`, the lines that are hidden at first too."""
    from matplotlib.figure import Figure

    drawn = Figure(figsize=(7.2, 3.9), layout="constrained")
    named = draw_plot(drawn.add_subplot(), plot, everything=everything)
    if len(named) > 1:
        drawn.legend(
            loc="outside lower center", ncols=min(len(named), 5), frameon=False, fontsize=8
        )
    return drawn


def draw_plot(axes: Any, plot: Plot, *, everything: bool = False) -> set[str]:
    """Draw a plot's lines, title and scales on given axes; returns the names for a legend."""
    named = set()
    for line in plot.lines:
        if line.shown or everything:
            label = None if line.name in named else plain(line.name)
            named.add(line.name)
            axes.plot(plot.x, line.values, label=label, **_style(line))
    axes.set_title(plain(plot.title), loc="left", fontsize=10.5, fontweight="bold")
    axes.set_xlabel(plot.x_label)
    axes.set_ylabel(plot.y_label)
    _scale(axes, plot)
    axes.grid(visible=True, color="#d9dde0", linewidth=0.6)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return named


def _scale(axes: Any, plot: Plot) -> None:
    if plot.logarithmic:
        axes.set_xscale("log")
        low, high = plot.x_limits
        ticks = [t for t in FREQUENCY_TICKS_HZ if low <= t <= high]
        axes.set_xticks(ticks, [tick_text(t) for t in ticks])
        axes.minorticks_off()
    axes.set_xlim(*plot.x_limits)
    if plot.y_range is not None:
        axes.set_ylim(*plot.y_range)


def _style(line: Line) -> dict[str, Any]:
    if line.role in ROLE_STYLES:
        return ROLE_STYLES[line.role]
    dashes = DASHES[line.colour // len(PALETTE) % len(DASHES)]
    return {
        "color": PALETTE[line.colour % len(PALETTE)],
        "linestyle": dashes,
        "linewidth": 1.2,
    }


def figure_bytes(plot: Plot, form: str = "svg", *, everything: bool = False) -> bytes:
    """A figure as the content of a file: `form` is "svg", "png" or "pdf"; the same every time.

    Raises ValueError for any other form.
    """
    if form not in ("svg", "png", "pdf"):
        raise ValueError(f"a figure is svg, png or pdf, not {form!r}")
    import matplotlib as mpl

    # The title is what a screen reader says; no dates, so that equal input gives equal files.
    metadata: dict[str, Any] = {"svg": {"Date": None, "Title": plot.title}, "png": {}}.get(
        form, {"CreationDate": None, "Title": plot.title}
    )
    target = io.BytesIO()
    with mpl.rc_context(SETTINGS):
        figure(plot, everything=everything).savefig(target, format=form, metadata=metadata, dpi=160)
    return target.getvalue()
