"""Three rounds over time: a gain, then a treble loss; each step is told by itself."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.advisor.measured import measured_from_responses
from roomtune.report.history_figure import write_history_figure
from roomtune.session.history import Moment, history
from roomtune.signal.values import ImpulseResponse

MOMENTS = tuple(Moment(f"<{n}>", f"2026-0{n}-01T20:00:00+00:00") for n in (1, 2, 3))


@pytest.fixture(scope="module")
def told(make_bench):
    bench = make_bench(0)
    responses = bench.measured.responses
    louder = responses.samples * 10 ** (2 / 20)
    half = louder.copy()
    half[1] *= 10 ** (-3 / 20)
    rounds = [
        measured_from_responses(bench.system, ImpulseResponse(s, responses.sample_rate_hz))
        for s in (responses.samples, louder, half)
    ]
    return history(bench.system, MOMENTS, rounds, bench.tuning)


def test_each_step_is_told_by_itself(told):
    assert [c.findings[0].kind for c in told.step] == ["microphone gain", "level"]
    assert told.step[1].findings[0].subject == "tweeter L"
    kinds = {finding.kind for finding in told.since_first[1].findings}
    assert {"microphone gain", "level"} <= kinds


def test_the_figures_follow_the_tuning(told):
    first, second, third = told.figures
    assert second["deviation_db"] == pytest.approx(first["deviation_db"], abs=1e-6)
    assert abs(third["deviation_db"] - second["deviation_db"]) > 0.05
    assert np.nanmedian(told.level_db(0)) == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize("form", ["png", "svg", "pdf"])
def test_the_figure_is_the_same_every_time(told, tmp_path, form):
    one = write_history_figure(tmp_path / f"a.{form}", told).read_bytes()
    assert one == write_history_figure(tmp_path / f"b.{form}", told).read_bytes()
    assert len(one) > 5000
    with pytest.raises(ValueError, match="png, svg, pdf"):
        write_history_figure(tmp_path / "a.bmp", told)


def test_one_round_is_no_history(make_bench):
    bench = make_bench(0)
    with pytest.raises(ValueError, match="two rounds"):
        history(bench.system, MOMENTS[:1], [bench.measured])
