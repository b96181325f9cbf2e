"""The report as one HTML file: nothing is loaded from elsewhere, and it works offline.

Texts are escaped by the template engine, data are embedded as JSON in which
no tag can start, and a content security policy admits only the two inlined
scripts and the style sheets by their digests.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from roomtune.processor.storage import tuning_to_json
from roomtune.report import curves, words
from roomtune.report.content import Content
from roomtune.report.plots import Plot
from roomtune.report.room_facts import decay_rows, mode_rows
from roomtune.report.settings_sheet import settings_sheet
from roomtune.session.storage import write_atomically

SECTIONS = (
    ("channels", "Before and after at the seats"),
    ("crossovers", "Who plays what"),
    ("impulses", "Arrivals"),
    ("verification", "Verification"),
    ("comparison", "What changed"),
    ("outputs", "Every output as measured"),
    ("electrical", "What the processor does"),
)


def write_report(path: Path | str, content: Content | None = None, **parts: Any) -> Path:
    """Write the report; give a Content, or its fields by name (system, advice ...).

    Written whole or not at all; an earlier file of that name is replaced.
    Raises RoomtuneError when the disk refuses.
    """
    told = content if content is not None else Content(**parts)
    write_atomically(Path(path), report_html(told).encode())
    return Path(path)


def report_html(content: Content) -> str:
    """The report as text of one HTML file."""
    import jinja2

    environment = jinja2.Environment(
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        loader=jinja2.FunctionLoader(_asset),
    )
    environment.filters["signed"] = signed
    plots = curves.all_plots(content)
    styles = [_asset("uPlot.min.css"), _asset("report.css")]
    licence = _asset("uPlot.LICENSE").replace("*/", "")
    scripts = [f"/*\n{licence}\n*/\n{_asset('uPlot.iife.min.js')}", _asset("report.js")]
    return environment.get_template("report.html.j2").render(
        c=content,
        summary=words.summary(content),
        scores=words.score_rows(content),
        channels=words.channel_rows(content),
        takes=words.take_rows(content),
        cautions=words.CAUTIONS,
        decay=decay_rows(content.system, content.measured) if content.measured else [],
        modes=mode_rows(content.measured) if content.measured else [],
        headroom=curves.headroom_rows(content),
        sheet=settings_sheet(content.advice.tuning, content.system) if content.advice else (),
        groups=_groups(plots),
        steps=words.proposals_by_step(content),
        styles=styles,
        scripts=scripts,
        policy=_policy(styles, scripts),
        data=embedded_json(embedded(content, plots)),
    )


def embedded(content: Content, plots: tuple[Plot, ...]) -> dict[str, Any]:
    """The data behind the report: every figure's curves, and the tuning as in tuning.json."""
    data: dict[str, Any] = {"plots": {p.key: plot_data(p) for p in plots}}
    if content.advice is not None:
        data["tuning"] = json.loads(tuning_to_json(content.advice.tuning))
    return data


def signed(value: float, digits: int) -> str:
    """A number with its sign, but zero without one that rounding would give it."""
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def _asset(name: str) -> str:
    return resources.files("roomtune.report").joinpath("assets", name).read_text(encoding="utf-8")


def _groups(plots: tuple[Plot, ...]) -> dict[str, list[Plot]]:
    return {key: [p for p in plots if p.group == key] for key, _ in SECTIONS}


def _policy(styles: list[str], scripts: list[str]) -> str:
    """A content security policy that admits exactly these inline texts."""
    return (
        "default-src 'none'; base-uri 'none'; form-action 'none'; "
        f"script-src {' '.join(map(_digest_source, scripts))}; "
        f"style-src {' '.join(map(_digest_source, styles))}"
    )


def _digest_source(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"


def plot_data(plot: Plot) -> dict[str, Any]:
    """A plot as plain values: numbers with as many digits as can be seen, gaps as null."""
    return {
        "title": plot.title,
        "caption": plot.caption,
        "x": _numbers(plot.x, 6),
        "xLabel": plot.x_label,
        "yLabel": plot.y_label,
        "log": plot.logarithmic,
        "xRange": list(plot.x_limits),
        "range": list(plot.y_range) if plot.y_range else None,
        "lines": [
            {
                "name": line.name,
                "role": line.role,
                "colour": line.colour,
                "shown": line.shown,
                "y": _decimals(line.values, 2 if plot.logarithmic else 3),
            }
            for line in plot.lines
        ],
    }


def _numbers(values: np.ndarray, digits: int) -> list[float]:
    return [float(f"{v:.{digits}g}") for v in np.asarray(values, dtype=float)]


def _decimals(values: np.ndarray, decimals: int) -> list[float | None]:
    rounded = np.round(np.asarray(values, dtype=float), decimals).tolist()
    return [v if math.isfinite(v) else None for v in rounded]


def embedded_json(value: Any) -> str:
    """JSON that can stand in a script element: nothing in it can end or open a tag."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text
