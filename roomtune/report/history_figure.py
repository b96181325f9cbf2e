"""The history of a room as a figure: what became louder or quieter, and the tuning's figures."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from roomtune.report.figures import PALETTE, SETTINGS, draw_plot
from roomtune.report.plots import Line, Plot
from roomtune.report.settings_pdf import plain
from roomtune.session.history import History
from roomtune.session.storage import write_atomically

FIGURES = (
    ("deviation_db", "off the target (dB)"),
    ("level_spread_db", "levels within (dB)"),
    ("arrival_spread_ms", "arrivals within (ms)"),
    ("left_right_mismatch_db", "left/right (dB)"),
)
FORMS = ("png", "svg", "pdf")


def level_plot(told: History) -> Plot:
    """Level of every later round less the first, per third-octave band."""
    lines = tuple(
        Line(moment.name, told.level_db(index), "part", index)
        for index, moment in enumerate(told.moments[1:])
    )
    return Plot(
        "history", "comparison", f"Level since {told.moments[0].name}",
        "Change of level per third-octave band, mean of all outputs and seats.",
        np.asarray(told.since_first[0].centres_hz), lines, y_label="change in dB",
        explanation="Mean of all outputs and seats.",
    )  # fmt: skip


def history_figure(told: History) -> Any:
    """A matplotlib figure: levels above, the figures of merit round by round below."""
    from matplotlib.figure import Figure

    scored = all(told.figures)
    drawn = Figure(figsize=(7.6, 6.8 if scored else 4.0), layout="constrained")
    rows = drawn.subplots(2 if scored else 1, 1, squeeze=False)[:, 0]
    draw_plot(rows[0], level_plot(told))
    rows[0].legend(frameon=False, fontsize=8)
    if scored:
        _draw_figures(rows[1], told)
    return drawn


def _draw_figures(axes: Any, told: History) -> None:
    places = np.arange(len(told.moments))
    for index, (key, name) in enumerate(FIGURES):
        values = [figures[key] for figures in told.figures]
        marker = "os^D"[index]
        axes.plot(places, values, marker=marker, color=PALETTE[index], label=name, linewidth=1.2)
    names = [f"{plain(m.name)}\n{m.at[:10]}" for m in told.moments]
    axes.set_xticks(places, names, fontsize=8)
    axes.set_ylim(bottom=0)
    axes.set_xlabel("session")
    axes.set_ylabel("dB or ms")
    axes.set_title("What the tuning in use gives", loc="left", fontsize=10.5, fontweight="bold")
    axes.grid(visible=True, color="#d9dde0", linewidth=0.6)
    axes.legend(frameon=False, fontsize=8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def write_history_figure(path: Path, told: History) -> Path:
    """Write the figure; its form is the file's ending: png, svg or pdf.

    Raises RoomtuneError when the disk refuses, ValueError for another ending.
    """
    form = path.suffix.lstrip(".").lower()
    if form not in FORMS:
        raise ValueError(f"a figure is {', '.join(FORMS)}, not {form!r}")
    import matplotlib as mpl

    metadata: dict[str, Any] = {"svg": {"Date": None}, "png": {}, "pdf": {"CreationDate": None}}
    target = io.BytesIO()
    with mpl.rc_context(SETTINGS):
        history_figure(told).savefig(target, format=form, metadata=metadata[form], dpi=160)
    write_atomically(path, target.getvalue())
    return path
