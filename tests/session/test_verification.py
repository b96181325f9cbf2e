"""Verification: clean tunings pass, planted mistakes fail and are named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from roomtune.advisor.prediction import predict
from roomtune.errors import MeasurementError
from roomtune.processor.tuning import OutputSetting, Tuning
from roomtune.session.folder import Session
from roomtune.session.operational import operational_faults, operational_limits_db
from roomtune.session.verdicts import Tolerance, VerificationRow
from roomtune.session.verification import verify
from roomtune.signal.bands import third_octave_centres_hz


def with_output(tuning: Tuning, name: str, **changes: object) -> Tuning:
    outputs = tuple(replace(o, **changes) if o.name == name else o for o in tuning.outputs)
    return replace(tuning, outputs=outputs)


def with_filter(tuning: Tuning, name: str, place: int, **changes: object) -> Tuning:
    filters = list(tuning.output(name).filters)
    filters[place] = replace(filters[place], **changes)
    return with_output(tuning, name, filters=tuple(filters))


def exchanged(tuning: Tuning, first: str, second: str) -> Tuning:
    """The settings of two outputs typed into each other's place, routes included."""
    a, b = tuning.output(first), tuning.output(second)
    swap = {first: second, second: first}

    def moved(o: OutputSetting) -> OutputSetting:
        other = {first: b, second: a}[o.name]
        return replace(other, name=o.name, number=o.number)

    outputs = tuple(moved(o) if o.name in swap else o for o in tuning.outputs)
    routes = tuple(replace(r, output=swap.get(r.output, r.output)) for r in tuning.routes)
    return replace(tuning, outputs=outputs, routes=routes)


def checked(bench, tuning=None, **options):
    takes = bench.takes(tuning, **options)
    return verify(
        bench.system, bench.prediction, takes, tuning=bench.tuning, measured=bench.measured
    )


def test_what_was_predicted_passes_and_the_offset_is_taken_out(bench):
    result = checked(bench, offset_s=0.0123)
    assert result.passed
    assert result.rms_db < 0.1
    assert result.offset_ms == pytest.approx({"main": 12.3, "left": 12.3}, abs=0.002)
    assert result.diagnosis == ()
    assert "Passed" in str(result)
    assert len(result.rows) == 8


def test_a_changed_microphone_gain_is_told_and_not_counted(bench):
    result = checked(bench, gain_db=2.0)
    assert result.passed
    assert result.common_level_db == pytest.approx(2.0, abs=0.05)
    assert "2.0 dB louder" in result.notes[0]


@pytest.mark.parametrize(
    ("plant", "kind", "words"),
    [
        (
            lambda t: with_output(t, "tweeter R", inverted=True),
            "polarity",
            ["tweeter R", "flipped"],
        ),
        (
            lambda t: with_output(t, "woofer R", inverted=False),
            "polarity",
            ["woofer R", "inverted"],
        ),
        (lambda t: with_output(t, "woofer C", delay_ms=0.0), "delay", ["woofer C", "is missing"]),
        (lambda t: with_output(t, "sub", delay_ms=0.0), "delay", ["sub", "is missing"]),
        (
            lambda t: with_output(t, "woofer L", gain_db=t.output("woofer L").gain_db + 3),
            "gain",
            ["woofer L", "3.0 dB too high"],
        ),
        (
            lambda t: with_filter(t, "woofer L", 2, frequency_hz=1700.0),
            "filter",
            ["woofer L", "filter 3", "1700 Hz"],
        ),
        (
            lambda t: with_filter(t, "woofer C", 3, gain_db=4.0),
            "filter",
            ["filter 4", "wrong sign"],
        ),
        (
            lambda t: with_filter(t, "sub", 1, frequency_hz=60.0),
            "filter",
            ["sub", "filter 2", "60"],
        ),
        (
            lambda t: exchanged(t, "tweeter L", "tweeter R"),
            "exchanged outputs",
            ["tweeter L", "tweeter R"],
        ),
        (lambda t: exchanged(t, "woofer C", "woofer L"), "exchanged outputs", ["woofer C"]),
    ],
)
def test_a_planted_mistake_is_named(bench, plant, kind, words):
    result = checked(bench, plant(bench.tuning), snr_db=40.0)
    assert not result.passed
    assert result.diagnosis[0].kind == kind
    for word in words:
        assert word in result.diagnosis[0].text
    assert len(result.diagnosis) == 1


def test_without_the_tuning_the_failing_channel_is_named(bench):
    takes = bench.takes(with_output(bench.tuning, "tweeter R", gain_db=-20.0))
    result = verify(bench.system, bench.prediction, takes)
    assert not result.passed
    assert {row.channel for row in result.rows if not row.passed} == {"R"}
    assert all("channel R" in d.text for d in result.diagnosis)


def test_missing_takes_are_listed_and_none_is_an_error(bench):
    takes = [t for t in bench.takes() if t.source != "C"]
    result = verify(bench.system, bench.prediction, takes)
    assert result.passed
    assert set(result.missing) == {"C at main", "C at left"}
    with pytest.raises(MeasurementError, match="roomtune verify"):
        verify(bench.system, bench.prediction, [])


def test_bands_below_the_noise_are_not_judged(bench):
    result = checked(bench, snr_db=-10.0)
    loud = checked(bench, snr_db=60.0)
    count = [sum(int(r.judged.sum()) for r in v.rows) for v in (result, loud)]
    assert count[0] < count[1]
    assert result.passed


def test_bands_that_a_channel_does_not_play_are_wholly_uncertain(bench):
    """Silence above 1 kHz, with the noise of the prediction as it was: no overflow, not judged."""
    response = bench.prediction.response
    high = response.frequencies_hz > 1000
    silent = replace(response, values=np.where(high, 1e-160, response.values))
    unsure = np.where(high, 1e150, bench.prediction.uncertainty_db)
    prediction = replace(bench.prediction, response=silent, uncertainty_db=unsure)
    result = verify(bench.system, prediction, bench.takes())
    for row in result.rows:
        above = result.centres_hz > 1500
        assert np.all(np.isfinite(row.uncertainty_db[above]))
        assert not np.any(row.judged[above])
        assert np.any(row.judged[~above])


def test_a_verification_is_kept_with_the_session(bench, tmp_path):
    (tmp_path / "system.toml").write_text("")
    session = Session.create(tmp_path, "x", tmp_path / "system.toml")
    result = checked(bench, with_output(bench.tuning, "tweeter R", inverted=True))
    session.save_verification(result)
    back = Session.open(session.path).verification()
    assert back.summary == result.summary
    assert back.diagnosis == result.diagnosis
    assert np.array_equal(back.rows[0].difference_db, result.rows[0].difference_db)
    assert back.rows[0].judged.dtype == bool


def test_a_reversed_tweeter_is_heard_even_where_the_sum_hardly_changes(bench):
    """In quadrature at the crossover, both polarities add up to the same level."""
    tuning = with_output(
        bench.tuning, "tweeter L", delay_ms=bench.tuning.output("tweeter L").delay_ms + 0.125
    )
    prediction = predict(tuning, bench.measured)
    flipped = with_output(tuning, "tweeter L", inverted=not tuning.output("tweeter L").inverted)
    result = verify(
        bench.system, prediction, bench.takes(flipped), tuning=tuning, measured=bench.measured
    )
    assert [row.channel for row in result.rows if not row.passed] == ["L", "L"]
    assert "output tweeter L plays with inverted polarity" in result.rows[0].faults
    assert result.diagnosis[0].kind == "polarity"


def test_a_wrong_sample_rate_is_named(bench):
    takes = bench.takes(clock_hz=44100.0)
    result = verify(
        bench.system, bench.prediction, takes, tuning=bench.tuning, measured=bench.measured
    )
    assert result.diagnosis[0].kind == "sample rate"
    assert "44100 Hz" in result.diagnosis[0].text


def test_exchanged_drivers_of_different_bands_are_named(bench):
    result = checked(bench, exchanged(bench.tuning, "sub", "tweeter L"))
    assert result.diagnosis[0].kind == "exchanged outputs"
    assert len(result.diagnosis) == 1


def test_operational_limits_are_as_remembered():
    # From memory: ITU-R BS.1116-3 and EBU Tech 3276, operational room response.
    lower, upper = operational_limits_db(np.array([40.0, 50.0, 1000.0, 2000.0, 4000.0, 16000.0]))
    assert_allclose(lower, [-np.inf, -3, -3, -3, -4, -6])
    assert_allclose(upper, [np.inf, 3, 3, 3, 3, 3])


@pytest.mark.parametrize(("bump_db", "passes"), [(2.0, True), (6.0, False)])
def test_the_operational_response_is_judged_by_its_own_shape(bump_db, passes):
    centres = third_octave_centres_hz(40.0, 16000.0)
    level = np.where(np.isclose(centres, 1000.0, rtol=0.01), bump_db, 0.0) - 30.0
    ones = np.ones(len(centres))
    row = VerificationRow(
        "L", "main", level, level, 0.1 * ones, ones > 0, 0.0, 0.0, 1, 1.0
    )  # fmt: skip
    faults = operational_faults(row, centres)
    assert (faults == []) == passes
    if not passes:
        assert "1 kHz" in faults[0]
        assert "+5." in faults[0]


def test_with_the_operational_tolerance_a_coloured_but_predicted_channel_fails(bench):
    takes = bench.takes(seed=4)
    ours = verify(bench.system, bench.prediction, takes)
    assert ours.passed
    strict = verify(
        bench.system, bench.prediction, takes, tolerance=Tolerance(operational=True)
    )  # fmt: skip
    told = [fault for row in strict.rows for fault in row.faults]
    assert any("operational room response" in fault for fault in told)
    assert all(row.passed for row in strict.rows if row.channel == "LFE")
    assert strict.diagnosis == ()
    assert "no setting is mistyped" in strict.notes[-1]
