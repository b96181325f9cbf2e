"""Figures of several parts: what is drawn, how axes read, equal files for equal values."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.colors import Normalize

from roomtune.report.plots import Line, Plot
from roomtune.report.surfaces import Stems, Surface, figure, figure_bytes

FREQUENCIES = np.geomspace(20, 20000, 60)
TIMES = np.linspace(0, 100, 21)
LEVEL = -TIMES[:, None] * np.ones(60) - 10 * np.log10(FREQUENCIES / 20)


def parts():
    line = Line("level", LEVEL[0])
    return (
        Plot("k", "g", "A plot", "", FREQUENCIES, (line,)),
        Surface("A surface", TIMES, FREQUENCIES, LEVEL, 40.0),
        Stems("Stems", np.array([30.0, 60.0]), np.array([0.9, 0.3]), ("1 0 0", ""), "frequency in "
              "Hz", "s", np.array([0.5, 0.4]), "limit"),
    )  # fmt: skip


def test_each_part_has_its_title_and_axes_as_engineers_read_them() -> None:
    drawn = figure(parts())
    axes = {a.get_title(loc="left"): a for a in drawn.axes if a.get_title(loc="left")}
    assert list(axes) == ["A plot", "A surface", "Stems"]
    surface = axes["A surface"]
    labels = [tick.get_text() for tick in surface.get_xticklabels()]
    assert labels == ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
    assert surface.get_xscale() == "log"
    assert (surface.get_xlabel(), surface.get_ylabel()) == ("frequency in Hz", "time in ms")
    legend = {text.get_text() for text in drawn.legends[0].get_texts()}
    assert legend == {"level", "limit"}


def test_a_surface_is_drawn_re_its_highest_and_down_to_its_range() -> None:
    mesh = figure(parts()).axes[1].collections[0]
    drawn = np.asarray(mesh.get_array()).reshape(LEVEL.shape)
    assert drawn == pytest.approx(np.clip(LEVEL - LEVEL.max(), -40, 0))
    norm = mesh.norm
    assert isinstance(norm, Normalize)
    assert (norm.vmin, norm.vmax) == (-40, 0)
    each = Surface("each", TIMES, FREQUENCIES, LEVEL, 40.0, each=True)
    found = np.asarray(figure([each]).axes[0].collections[0].get_array()).reshape(LEVEL.shape)
    assert found[0] == pytest.approx(0)
    assert found[10] == pytest.approx(-40)


def test_the_colours_rise_in_lightness_for_grey_and_colour_blind_eyes() -> None:
    from matplotlib import colormaps

    colours = colormaps["cividis"](np.linspace(0, 1, 32))[:, :3]
    light = colours @ np.array([0.2126, 0.7152, 0.0722])  # Rec. ITU-R BT.709 luma
    assert np.all(np.diff(light) > 0)
    assert figure(parts()).axes[1].collections[0].get_cmap().name == "cividis"


@pytest.mark.parametrize("form", ["png", "svg", "pdf"])
def test_files_are_the_same_every_time(form) -> None:
    first = figure_bytes(parts()[1:], form, "Title")
    assert first == figure_bytes(parts()[1:], form, "Title")
    assert first.startswith({"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}[form])


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(ValueError, match="a figure is one of"):
        figure_bytes(parts(), "bmp", "Title")
    with pytest.raises(ValueError, match="0 parts"):
        figure_bytes((), "png", "Title")
