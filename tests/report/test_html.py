"""The HTML report: whole, self-contained, safe, and the same every time."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from roomtune.advisor.proposal import Proposal
from roomtune.errors import RoomtuneError
from roomtune.report.content import Content
from roomtune.report.html import report_html, write_report

VOID = {"meta", "input", "br", "link", "img"}


class Outline(HTMLParser):
    """Collects tags, attributes, the content of scripts and styles, and checks nesting."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inline: dict[str, list[str]] = {"script": [], "style": []}
        self.text: list[str] = []
        self.types: list[str | None] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID and tag not in ("line", "svg"):
            self.open.append(tag)
        if tag in self.inline:
            self.inline[tag].append("")
            if tag == "script":
                self.types.append(dict(attrs).get("type"))

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] in self.inline:
            self.inline[self.open[-1]][-1] += data
        else:
            self.text.append(data)


@pytest.fixture(scope="module")
def page(content):
    return report_html(content)


@pytest.fixture(scope="module")
def outline(page):
    parser = Outline()
    parser.feed(page)
    parser.close()
    assert parser.open == []
    return parser


def test_hostile_names_are_text_and_nothing_else(outline):
    assert len(outline.inline["script"]) == 3
    text = "".join(outline.text)
    assert text.count("</script><script>alert(1)</script>") >= 8
    assert not [tag for tag, a in outline.tags if any(k.startswith("on") for k in a)]


def test_nothing_comes_from_the_network(page, outline):
    for tag, attributes in outline.tags:
        for name in ("src", "href", "action", "srcset", "data"):
            assert (attributes.get(name) or "#").startswith("#"), tag
        assert tag not in ("link", "iframe", "object", "embed", "base", "form")
    for style in outline.inline["style"]:
        assert "@import" not in style
        assert "url(" not in style


def test_the_policy_admits_exactly_what_is_inlined(outline):
    policy = next(
        a["content"] for t, a in outline.tags if a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    found = set(re.findall(r"'sha256-([^']+)'", policy))
    run = [s for s, t in zip(outline.inline["script"], outline.types, strict=True) if t is None]
    inlined = [*run, *outline.inline["style"]]
    digests = {base64.b64encode(hashlib.sha256(t.encode()).digest()).decode() for t in inlined}
    assert found == digests
    assert not [tag for tag, a in outline.tags if "style" in a]


def test_the_licence_of_the_plotter_goes_with_it(outline):
    assert "Permission is hereby granted, free of charge" in outline.inline["script"][1]
    assert "Copyright (c)" in outline.inline["script"][1]


def test_the_data_are_embedded_and_complete(content, outline):
    data = json.loads(outline.inline["script"][0])
    keys = {a["data-plot"] for t, a in outline.tags if "data-plot" in a}
    assert keys == set(data["plots"])
    after = next(
        line for line in data["plots"]["channel-0"]["lines"] if line["name"] == "after, predicted"
    )
    assert len(after["y"]) == len(data["plots"]["channel-0"]["x"])
    for plot in data["plots"].values():
        assert re.search(r"in (Hz|ms)$", plot["xLabel"])
        assert " in dB" in plot["yLabel"] or plot["yLabel"] == "amplitude re peak"


def test_every_control_and_figure_has_a_name(outline):
    for tag, attributes in outline.tags:
        if tag == "input":
            assert attributes.get("aria-label")
    assert outline.tags[0] == ("html", {"lang": "en"})
    figures = [a for t, a in outline.tags if t == "figure"]
    captions = [t for t, _ in outline.tags if t == "figcaption"]
    assert len(figures) == len(captions) > 8
    headings = [int(t[1]) for t, _ in outline.tags if re.fullmatch(r"h\d", t)]
    assert headings[0] == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(headings))


def test_every_value_to_type_is_on_the_sheet(content, outline):
    text = " ".join(" ".join(outline.text).split())
    for output in content.advice.tuning.outputs:
        assert f"Output {output.number}: {output.name}" in text
        for item in output.filters:
            assert f"{item.frequency_hz:.1f}" in text
    assert "inverted" in text


def test_proposals_stand_in_the_order_in_which_they_come(content):
    texts = ["zeta one", "alpha two", "zeta three", "zeta four"]
    proposals = tuple(Proposal(text.split()[0], "all", text, "", "") for text in texts)
    advice = replace(content.advice, proposals=proposals)
    page = report_html(replace(content, advice=advice))
    places = [page.index(f"<h3>all: {text}</h3>") for text in texts]
    assert places == sorted(places)
    steps = re.findall(r'<summary>(\w+) <span class="count">(\d)', page)
    assert steps[:3] == [("zeta", "1"), ("alpha", "1"), ("zeta", "2")]


def test_the_same_content_gives_the_same_page(content, page):
    assert report_html(content) == page


def test_a_report_of_almost_nothing_works(content, tmp_path):
    for parts in ({}, {"measured": content.measured}, {"verification": content.verification}):
        path = write_report(tmp_path / "report.html", system=content.system, **parts)
        parser = Outline()
        parser.feed(path.read_text(encoding="utf-8"))
        assert parser.open == []


def test_writing_where_one_must_not_is_told(content, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(RoomtuneError, match=r"could not write|not allowed"):
        write_report(tmp_path / "file" / "report.html", Content(content.system))
