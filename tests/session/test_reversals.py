"""A swapped pair of wires is told, and nothing else is called one."""

from __future__ import annotations

import numpy as np

from roomtune.advisor.measured import measured_from_responses
from roomtune.session.changes import differences
from roomtune.session.comparison import compare
from roomtune.session.reversals import reversals
from roomtune.signal.values import ImpulseResponse

RATE = 48000.0


def test_only_the_reversed_output_is_told(bench) -> None:
    samples = np.array(bench.measured.responses.samples)
    noise = 1e-5 * np.random.default_rng(4).normal(size=samples.shape)
    samples[1] *= -0.8
    later = measured_from_responses(bench.system, ImpulseResponse(samples + noise, RATE, 0.01))
    found = differences(bench.measured, later)
    assert set(reversals(found)) == {bench.measured.outputs[1]}
    first = compare(bench.system, bench.measured, later).findings[0]
    assert (first.kind, first.subject) == ("polarity", bench.measured.outputs[1])
    assert "opposite polarity" in first.text


def test_equal_rounds_have_none(bench) -> None:
    assert not reversals(differences(bench.measured, bench.measured))
