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
    assert first.samples.max() == 1.0 - 2**-23
    assert second.events == ()
    assert np.abs(second.samples).max() < 0.9


def test_wrong_output_plays_next_door(ramp: np.ndarray) -> None:
    signals = np.hstack([ramp, 0 * ramp, 0 * ramp])
    np.testing.assert_array_equal(
        spoil_playback(Fault("wrong output"), signals, RATE)[:, [1]], ramp
    )


def test_level_jump_and_burst_stand_where_they_should(ramp: np.ndarray) -> None:
    jumped = spoil_recording(Fault("level jump", at_s=0.05, gain_db=-6.0), ramp, RATE)
    np.testing.assert_allclose(20 * np.log10(jumped / ramp)[[49, 50], 0], [0, -6])
    silence = np.zeros((4000, 1))
    burst = spoil_recording(Fault("burst", 1.0, 2.0, gain_db=-40.0), silence, RATE)[:, 0]
    assert not burst[:1000].any()
    assert not burst[3000:].any()
    assert burst.std() == pytest.approx(
        0.01 * np.sqrt(0.5 * 3 / 8), rel=0.05
    )  # Hann, half the time


def test_soft_clipping_bends_the_peaks_only() -> None:
    tone = 0.1 * np.sin(np.linspace(0, 100, 5000))[:, None]
    bent = spoil_recording(Fault("soft clipping", gain_db=6.0), tone, RATE)
    assert bent.max() == pytest.approx(np.tanh(1.995), rel=1e-3)
    assert bent[1, 0] / tone[1, 0] == pytest.approx(19.95, rel=0.01)


def test_wrong_sample_rate_changes_the_number_of_samples(ramp: np.ndarray) -> None:
    fault = Fault("wrong sample rate", rate_hz=44100.0)
    assert len(spoil_recording(fault, np.zeros((48000, 2)), 48000.0)) == 44100


def test_gain_control_evens_levels_out() -> None:
    """A tone that falls by 30 dB halfway: it comes back up by what the control may add."""
    tone = 0.1 * np.sin(np.arange(8000) / 2)[:, None]
    tone[4000:] *= 10 ** (-30 / 20)
    steered = spoil_recording(Fault("automatic gain control", gain_db=20.0), tone, RATE)
    early, late = steered[2000:3500].std(), steered[6000:7500].std()
    assert 20 * np.log10(early / 0.0707) == pytest.approx(3.0, abs=0.1)  # -23 dB raised to -20
    assert 20 * np.log10(late / 0.0707) == pytest.approx(-10.0, abs=0.1)


def test_noise_suppression_turns_pauses_down() -> None:
    noise = np.random.default_rng(0).standard_normal((8000, 1)) * 1e-4
    noise[:4000, 0] += 0.1 * np.sin(np.arange(4000) / 2)
    steered = spoil_recording(Fault("noise suppression", gain_db=-30.0), noise, RATE)
    ratio = 20 * np.log10(steered[[1000, 7000], 0] / noise[[1000, 7000], 0])
    np.testing.assert_allclose(ratio, [0, -30], atol=1e-9)
