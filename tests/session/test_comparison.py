"""Comparison: planted changes are told apart, and nothing is called nothing."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.advisor.measured import measured_from_responses
from roomtune.session.comparison import compare
from roomtune.session.folder import Session
from roomtune.signal.values import ImpulseResponse

RATE = 48000.0


@pytest.fixture
def again(bench):
    """Measure anew: changed responses, other noise, another time reference."""

    def measure(samples, start_s=0.0, noise=1e-5, seed=3):
        random = np.random.default_rng(seed)
        noisy = samples + noise * random.normal(size=samples.shape)
        return measured_from_responses(bench.system, ImpulseResponse(noisy, RATE, start_s))

    return measure


@pytest.fixture
def samples(bench):
    return np.array(bench.measured.responses.samples)


def test_nothing_is_called_nothing(bench, samples, again):
    result = compare(bench.system, bench.measured, again(samples, start_s=0.02), bench.tuning)
    assert not result.changed
    assert not result.worth_retuning
    assert "Nothing changed" in result.summary


def test_the_microphone_gain_is_not_the_room(bench, samples, again):
    result = compare(bench.system, bench.measured, again(samples * 10 ** (-2 / 20)), bench.tuning)
    (change,) = result.findings
    assert change.kind == "microphone gain"
    assert change.size == pytest.approx(-2.0, abs=0.05)
    assert not result.worth_retuning


@pytest.mark.parametrize("shift", [4, 14, -11])
def test_a_moved_loudspeaker_and_how_far(bench, samples, again, shift):
    samples[2:4] = np.roll(samples[2:4], shift, axis=-1)
    result = compare(bench.system, bench.measured, again(samples, start_s=0.01), bench.tuning)
    change = result.findings[0]
    assert (change.kind, change.subject) == ("moved", "front R")
    assert change.size == pytest.approx(abs(shift) / RATE * 343.2, abs=0.006)


def test_treble_loss_at_one_output(bench, samples, again):
    frequencies = np.fft.rfftfreq(samples.shape[-1], 1 / RATE)
    shelf = 10 ** (-3 / 20 / (1 + (5000 / np.maximum(frequencies, 1)) ** 4))
    samples[1] = np.fft.irfft(np.fft.rfft(samples[1]) * shelf, samples.shape[-1])
    result = compare(bench.system, bench.measured, again(samples))
    assert (result.findings[0].kind, result.findings[0].subject) == ("treble", "tweeter L")
    assert result.findings[0].size == pytest.approx(-2.7, abs=0.5)
    assert result.worth_retuning


def test_added_absorption(bench, samples, again):
    times = np.arange(samples.shape[-1]) / RATE
    for index in np.ndindex(samples.shape[:2]):
        arrival = times[np.argmax(np.abs(samples[index]))]
        samples[index] *= np.exp(-np.maximum(times - arrival - 0.004, 0) / 0.1)
    result = compare(bench.system, bench.measured, again(samples))
    assert result.findings[0].kind == "absorption"
    assert "more absorption" in result.findings[0].text


def test_one_output_louder(bench, samples, again):
    samples[0] *= 10 ** (2.5 / 20)
    result = compare(bench.system, bench.measured, again(samples), bench.tuning)
    change = result.findings[0]
    assert (change.kind, change.subject) == ("level", "woofer L")
    assert change.size == pytest.approx(2.5, abs=0.1)
    assert result.worth_retuning
    assert result.scores_now["level_spread_db"] > result.scores_before["level_spread_db"] + 0.5


def test_rounds_without_anything_in_common_are_refused(bench, samples):
    other = measured_from_responses(
        bench.system, ImpulseResponse(samples, RATE), seats=("here", "there")
    )
    with pytest.raises(ValueError, match="in common"):
        compare(bench.system, bench.measured, other)


def test_a_comparison_is_kept_with_the_session(bench, samples, again, tmp_path):
    (tmp_path / "system.toml").write_text("")
    session = Session.create(tmp_path, "x", tmp_path / "system.toml")
    result = compare(bench.system, bench.measured, again(samples * 1.3), bench.tuning)
    session.save_comparison(result)
    back = Session.open(session.path).comparison()
    assert back.summary == result.summary
    assert back.findings == result.findings
    assert np.array_equal(back.level_db, result.level_db, equal_nan=True)


def test_seats_farther_away_are_neither_a_quieter_microphone_nor_another_room(
    bench, samples, again
):
    """Every direct sound 1.1 dB weaker and later by its own way; what the room adds stays."""
    times = np.arange(samples.shape[-1]) / RATE
    for row, seat in np.ndindex(samples.shape[:2]):
        one = samples[row, seat]
        early = times < times[np.argmax(np.abs(one))] + 0.012
        one *= np.where(early, 10 ** (-1.1 / 20), 1.0)
        one[:] = np.roll(one, (22, 22, -19, -19, 60, 60, 40)[row])
    result = compare(bench.system, bench.measured, again(samples), bench.tuning)
    kinds = {finding.kind for finding in result.findings}
    assert "seats moved" in kinds
    assert not kinds & {"microphone gain", "absorption", "level", "treble"}
