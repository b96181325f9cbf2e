"""The level meter against tones of known level."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from roomtune.capture.meter import Level, after_block, watch

RATE = 48000


def tone(amplitude, duration_s):
    return amplitude * np.sin(2 * np.pi * 1000 * np.arange(round(duration_s * RATE)) / RATE)


def test_a_steady_tone_settles_at_its_level():
    level = Level()
    for block in tone(0.1, 2).reshape(-1, 4800):
        level = after_block(level, block, RATE)
    assert level.rms_db == pytest.approx(20 * np.log10(0.1) - 3.01, abs=0.01)
    assert level.peak_db == pytest.approx(-20, abs=0.01)
    assert level.clipped == 0


@pytest.mark.parametrize("size", [48, 480])
def test_tone_bursts_answer_as_the_standard_asks(reference_folder, size):
    """IEC 61672-1:2013, Table 4: how far a burst of 4 kHz stays under the steady tone on F."""
    with (reference_folder / "iec61672_toneburst.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["weighting"] == "F"]
    rows = [row for row in rows if float(row["duration_s"]) * RATE >= 4 * size]
    assert len(rows) >= 3
    for row in rows:
        count = int(float(row["duration_s"]) * RATE) // size * size
        burst = np.sin(2 * np.pi * 4000 * np.arange(count) / RATE)
        level, highest = Level(), -200.0
        for block in burst.reshape(-1, size):
            level = after_block(level, block, RATE)
            highest = max(highest, level.rms_db)
        indicated = highest + 3.01
        assert indicated == pytest.approx(float(row["formula_dB"]), abs=0.1)
        assert indicated <= float(row["ref_dB"]) + float(row["class1_upper_dB"])
        assert indicated >= float(row["ref_dB"]) + float(row["class1_lower_dB"])


def test_a_stopped_tone_falls_by_the_time_constant():
    # IEC 61672-1:2013, 5.8: after the tone stops, at least 25 dB per second on F.
    level = Level(rms_db=-20.0)
    for _ in range(10):
        level = after_block(level, np.zeros(4800), RATE)
    assert level.rms_db == pytest.approx(-20 - 10 * np.log10(np.e) / 0.125, abs=0.01)


def test_peaks_are_held_and_clipping_is_counted():
    level = after_block(Level(), np.array([0.1, -1.0, 1.0]), RATE)
    level = after_block(level, np.array([0.01]), RATE)
    assert (level.peak_db, level.highest_db) == (pytest.approx(-40), pytest.approx(0))
    assert level.clipped == 2
    assert after_block(level, np.zeros(0), RATE) is level


def test_watching_any_interface(small_room, room_response):
    room = small_room({1: room_response(1)}, noise_rms=0.01)
    levels = []
    recording = watch(room, np.zeros((RATE, 1)), 1, levels.append)
    assert len(levels) == -(-len(recording.samples) // 4800)
    assert levels[-1].rms_db == pytest.approx(-40, abs=0.3)


def test_watching_an_interface_that_tells_meanwhile():
    class Live:
        sample_rate_hz = RATE
        on_recorded = None

        def play_and_record(self, signals, inputs):
            for _ in range(3):
                self.on_recorded(np.full((4800, 4), [0.0, 0.5, 0.0, 0.0]))
            raise KeyboardInterrupt

    live, levels = Live(), []
    with pytest.raises(KeyboardInterrupt):
        watch(live, np.zeros((RATE, 1)), 2, levels.append)
    assert [level.peak_db for level in levels] == [pytest.approx(-6.02, abs=0.01)] * 3
    assert live.on_recorded is None
