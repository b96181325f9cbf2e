"""Faults spoil a recording as they say, once."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.errors import MeasurementError
from roomtune.virtual import Fault, VirtualRoom
from roomtune.virtual.faults import spoil_playback, spoil_recording

RATE = 1000.0


@pytest.fixture
def ramp() -> np.ndarray:
    return np.arange(1.0, 101.0)[:, None] / 200


def test_lost_playback_block_pulls_the_rest_forward(ramp: np.ndarray) -> None:
    got = spoil_playback(Fault("lost playback block", at_s=0.02, length_s=0.005), ramp, RATE)
    np.testing.assert_array_equal(got, np.delete(ramp, slice(20, 25), axis=0))


def test_lost_and_repeated_recording_blocks(ramp: np.ndarray) -> None:
    lost = spoil_recording(Fault("lost recording block", 0.02, 0.005), ramp, RATE)
    assert len(lost) == 95
    again = spoil_recording(Fault("repeated recording block", 0.02, 0.005), ramp, RATE)
    np.testing.assert_array_equal(again[20:25], again[25:30])
    assert len(again) == 105


def test_silence_click_and_not_finite(ramp: np.ndarray) -> None:
    assert not spoil_recording(Fault("digital silence"), ramp, RATE).any()
    click = spoil_recording(Fault("click", at_s=0.03, gain_db=-20.0), ramp, RATE) - ramp
    assert np.flatnonzero(click[:, 0]).tolist() == [30]
    assert click.max() == pytest.approx(0.1)
    wrong = spoil_recording(Fault("not finite", at_s=0.03, length_s=0.002), ramp, RATE)
    assert np.flatnonzero(np.isnan(wrong[:, 0])).tolist() == [30, 31]


def test_device_failure_is_a_measurement_error(garden_room: VirtualRoom) -> None:
    garden_room.spoil_next(Fault("device failure"))
    with pytest.raises(MeasurementError, match="stopped answering"):
        garden_room.play_and_record(np.zeros((100, 2)), [1])
    garden_room.play_and_record(np.zeros((100, 2)), [1])


def test_a_fault_happens_once_and_may_be_reported(garden_room: VirtualRoom) -> None:
    signals = np.zeros((4800, 2))
    signals[100, 0] = 0.5
    garden_room.spoil_next(Fault("clipping", gain_db=6.0, reported=True))
    garden_room.spoil_next(Fault("click", at_s=0.2))
    first = garden_room.play_and_record(signals, [1])
    second = garden_room.play_and_record(signals, [1])
    assert first.events == ("clipping reported by the stream",)
    assert np.abs(first.samples).max() == 1.0
    assert second.events == ()
    assert np.abs(second.samples).max() < 0.9
