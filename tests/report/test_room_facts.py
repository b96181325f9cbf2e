"""Facts of the room, from responses whose decay is known."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.advisor.measured import measured_from_responses
from roomtune.report.room_facts import decay_rows, mode_rows
from roomtune.signal.values import ImpulseResponse

RATE = 48000.0


def test_the_decay_of_exponential_noise_is_found(content):
    random = np.random.default_rng(2)
    times = np.arange(48000) / RATE
    samples = random.normal(size=(4, 2, 48000)) * 10 ** (-3 * times / 0.5)
    measured = measured_from_responses(content.system, ImpulseResponse(samples, RATE))
    rows = {row.band: row for row in decay_rows(content.system, measured)}
    for band in ("1 kHz", "2 kHz", "4 kHz"):
        assert rows[band].t20_s == pytest.approx(0.5, abs=0.05)


def test_without_an_output_that_plays_bass_there_are_no_modes(content):
    assert mode_rows(content.measured) == []
