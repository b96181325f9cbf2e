"""Figures: what is drawn, how axes read, and that names cannot break them."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from roomtune.report.curves import all_plots, channel_plots, headroom_rows, smoothed_db
from roomtune.report.figures import figure, figure_bytes
from roomtune.report.plots import Line, Plot, tick_text
from roomtune.signal.values import FrequencyResponse


@pytest.fixture(scope="module")
def plots(content):
    return {p.key: p for p in all_plots(content)}


def test_every_group_is_there(plots):
    assert {p.group for p in plots.values()} == {
        "channels", "crossovers", "impulses", "verification", "comparison", "outputs", "electrical",
    }  # fmt: skip


def test_frequency_axes_read_as_engineers_write_them(plots):
    axes = figure(plots["channel-0"]).axes[0]
    labels = [t.get_text() for t in axes.get_xticklabels()]
    assert labels == ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
    assert axes.get_xscale() == "log"
    assert axes.get_xlabel().endswith("in Hz")
    assert "dB" in axes.get_ylabel()
    assert tick_text(12500) == "12.5k"


def test_what_is_drawn_is_what_the_plot_says(plots):
    plot = plots["output-1"]
    drawn = figure(plot).axes[0].lines
    for line, curve in zip(plot.lines, drawn, strict=True):
        assert np.array_equal(curve.get_ydata(), line.values, equal_nan=True)
    hidden = plots["channel-0"]
    assert len(figure(hidden).axes[0].lines) < len(figure(hidden, everything=True).axes[0].lines)


def test_no_curve_leaves_its_figure_upwards(plots):
    for plot in plots.values():
        if plot.y_range is not None and plot.group != "verification":
            assert all(np.nanmax(line.values) <= plot.y_range[1] for line in plot.lines), plot.key


@pytest.mark.parametrize("form", ["svg", "png", "pdf"])
def test_files_are_made_and_the_same_every_time(plots, form):
    first = figure_bytes(plots["channel-0"], form)
    assert first == figure_bytes(plots["channel-0"], form)
    assert first.startswith({"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}[form])


def test_names_with_markup_or_mathematics_are_text():
    x = np.array([20.0, 20000.0])
    plot = Plot("k", "g", "<b>$\\frac$ & co", "c", x, (Line("$x^2$", x), Line("_y", x)))
    svg = figure_bytes(plot, "svg").decode()
    assert ET.fromstring(svg) is not None
    assert figure(plot).axes[0].get_title(loc="left") == r"<b>\$\frac\$ & co"


def test_an_unknown_form_is_refused(plots):
    with pytest.raises(ValueError, match="svg, png or pdf"):
        figure_bytes(plots["channel-0"], "bmp")


def test_the_level_of_a_flat_response_is_flat():
    frequencies = np.arange(0, 24000.5, 1.0)
    flat = FrequencyResponse(frequencies, np.full(len(frequencies), 0.1 + 0j))
    levels = smoothed_db(flat, np.geomspace(25, 18000, 50))
    assert np.allclose(levels, -20.0, atol=1e-6)


def test_a_bass_channel_loudest_under_the_judged_band_is_drawn(content):
    """A channel of effects whose peak at 25 Hz stands 20 dB above all from 40 Hz on."""
    assert content.advice is not None
    system = content.system
    channels = (
        system.channels[0],
        system.channels[1].model_copy(update={"kind": "low frequency effects"}),
    )
    prediction = content.advice.prediction
    frequencies = prediction.response.frequencies_hz
    peak = 1 + 9 * np.exp(-(((frequencies - 25) / 5) ** 2))
    values = np.broadcast_to(peak, prediction.response.values.shape).astype(complex)
    loud = replace(prediction, response=FrequencyResponse(frequencies, values))
    told = replace(
        content,
        system=system.model_copy(update={"channels": channels}),
        advice=replace(content.advice, prediction=loud, before=loud),
        verification=None,
    )
    plot = next(p for p in channel_plots(told) if p.title == "Channel R")
    line = next(item for item in plot.lines if item.name == "after, predicted")
    flat = line.values[(plot.x > 200) & (plot.x < 5000)]
    assert np.all(np.isfinite(flat))
    assert np.nanmax(line.values) - flat[0] > 10


def test_headroom_of_known_gains(content):
    tuning = content.advice.tuning
    plain = tuple(replace(o, filters=(), gain_db=-3.0) for o in tuning.outputs)
    channels = tuple(replace(c, filters=(), gain_db=0.0) for c in tuning.channels)
    both = tuple(replace(r, output="woofer left", gain_db=0.0) for r in tuning.routes[::2])
    changed = replace(tuning, outputs=plain, channels=channels, routes=both)
    advice = replace(content.advice, tuning=changed)
    row = headroom_rows(replace(content, advice=advice))[0]
    assert row["single_db"] == pytest.approx(-3.0, abs=1e-9)
    assert row["together_db"] == pytest.approx(-3.0 + 20 * np.log10(2), abs=1e-9)
