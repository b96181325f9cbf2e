"""The settings sheet on paper: A4 pages with a box to tick behind every value."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from roomtune.processor.tuning import Tuning
from roomtune.report.settings_sheet import Section, settings_sheet
from roomtune.system.model import System

PAGE_IN = (8.27, 11.69)
LINES_PER_PAGE = 58
TOP, LINE, LEFT = 0.92, 0.0148, 0.07
COLUMNS = {
    "box": 0.0,
    "name": 0.03,
    "type": 0.12,
    "f": 0.26,
    "q": 0.41,
    "gain": 0.50,
}


@dataclass(frozen=True)
class _Text:
    """One printed line: cells at their columns; `style` is "title", "head", "row" or "gap"."""

    style: str
    cells: tuple[tuple[str, str], ...] = ()


def settings_pdf(tuning: Tuning, system: System, date: str = "") -> bytes:
    """The settings sheet as a PDF file (A4, any number of pages)."""
    from matplotlib.backends.backend_pdf import PdfPages

    pages = list(_pages(settings_sheet(tuning, system)))
    title = f"Settings sheet: {system.name}"
    target = io.BytesIO()
    metadata = {"Title": title, "Creator": "roomtune", "CreationDate": None}
    with PdfPages(target, metadata=metadata) as pdf:
        for number, lines in enumerate(pages, start=1):
            foot = f"{date}   page {number} of {len(pages)}".strip()
            pdf.savefig(_page(title, lines, foot))
    return target.getvalue()


def _pages(sections: tuple[Section, ...]) -> Iterator[list[_Text]]:
    """Sections spread over pages; one that does not fit on the rest of a page starts a new one."""
    page: list[_Text] = []
    for section in sections:
        lines = list(_lines(section))
        if page and len(page) + len(lines) > LINES_PER_PAGE:
            yield page
            page = []
        while len(lines) > LINES_PER_PAGE:
            yield lines[:LINES_PER_PAGE]
            lines = lines[LINES_PER_PAGE:]
        page += [*lines, _Text("gap")]
    if page:
        yield page


def _lines(section: Section) -> Iterator[_Text]:
    note = f"   {section.note}" if section.note else ""
    yield _Text("title", (("box", section.title + note),))
    for s in section.settings:
        hint = f"   ({s.hint})" if s.hint else ""
        value = f"{s.value} {s.unit}{hint}"
        name = "f" if section.kind != "routes" else "q"
        yield _Text("row", (("box", "□"), ("name", s.name), (name, value)))
    if section.filters:
        head = (("type", "filter"), ("f", "frequency"), ("q", "Q"), ("gain", "gain"))
        yield _Text("head", head)
    for f in section.filters:
        yield _Text("row", (
            ("box", "□"), ("name", str(f.number)), ("type", f.type),
            ("f", f"{f.frequency_hz} Hz" if f.frequency_hz else ""),
            ("q", f.q or f.slope[:60]), ("gain", f"{f.gain_db} dB" if f.gain_db else ""),
        ))  # fmt: skip


def _page(title: str, lines: list[_Text], foot: str) -> Any:
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    figure = Figure(figsize=PAGE_IN)
    figure.text(LEFT, 0.955, plain(title), fontsize=14, fontweight="bold")
    for number, line in enumerate(lines):
        height = TOP - number * LINE
        weight = "bold" if line.style == "title" else "normal"
        colour = "0.4" if line.style == "head" else "black"
        for column, text in line.cells:
            size = 9.5 if line.style == "title" else 8.5
            figure.text(
                LEFT + COLUMNS[column],
                height,
                plain(text),
                fontsize=size,
                fontweight=weight,
                color=colour,
            )
        if line.style == "title":
            rule = [height - 0.004] * 2
            figure.add_artist(Line2D([LEFT, 0.94], rule, color="0.6", linewidth=0.6))
    figure.text(LEFT, 0.03, plain(foot), fontsize=7.5, color="0.4")
    return figure


def plain(text: str) -> str:
    """Text that matplotlib prints as it is: no mathematics, no control characters."""
    printable = "".join(c if c.isprintable() else " " for c in text)
    return printable.replace("$", r"\$")
