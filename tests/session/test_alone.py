"""Single outputs, all others muted: each held against the prediction by itself."""

from __future__ import annotations

from dataclasses import replace

import pytest

from roomtune.errors import MeasurementError
from roomtune.session.alone import driving_channels, only, verify_alone


def with_output(tuning, name, **changes):
    outputs = tuple(replace(o, **changes) if o.name == name else o for o in tuning.outputs)
    return replace(tuning, outputs=outputs)


def alone(bench, actual, names=None, **options):
    """Takes of each output through what is really in the amplifier, each with its own time."""
    channels = driving_channels(bench.tuning)
    takes = dict.fromkeys(channels, ())
    for number, name in enumerate(names or channels):
        rest = only(actual, name, channels[name])
        options = {"snr_db": 50.0, "offset_s": 0.003 * number, "seed": number, **options}
        played = bench.takes(rest, **options)
        takes[name] = tuple(
            replace(take, reference="none") for take in played if take.source == channels[name]
        )
    return verify_alone(bench.system, bench.tuning, bench.measured, takes)


def test_the_channel_that_drives_an_output_loudest(bench):
    channels = driving_channels(bench.tuning)
    assert channels["tweeter R"] == "R"
    # All channels drive the subwoofer equally loud: the first of them plays.
    assert channels["sub"] == "L"
    quieter = tuple(
        replace(r, gain_db=-10.0) if r.output == "sub" and r.channel != "LFE" else r
        for r in bench.tuning.routes
    )
    assert driving_channels(replace(bench.tuning, routes=quieter))["sub"] == "LFE"
    unheard = replace(
        bench.tuning, routes=tuple(r for r in bench.tuning.routes if r.output != "sub")
    )
    assert "sub" not in driving_channels(unheard)


def test_what_was_predicted_passes_output_by_output(bench):
    result = alone(bench, bench.tuning)
    assert result.passed, str(result)
    assert {row.channel for row in result.rows} == {o.name for o in bench.tuning.outputs}
    assert result.rms_db < 0.2


def test_a_mistake_that_a_neighbour_covers_is_seen_alone(bench):
    """A cut 27 dB below the crossover of the sum: unheard in the channel, plain in the output."""
    tweeter = bench.tuning.output("tweeter L")
    wrong = (replace(tweeter.filters[0], frequency_hz=1200.0), *tweeter.filters[1:])
    result = alone(bench, with_output(bench.tuning, "tweeter L", filters=wrong), seed=9)
    assert [row.channel for row in result.rows if not row.passed] == ["tweeter L", "tweeter L"]
    assert result.diagnosis[0].kind == "filter"
    assert "(tweeter L), filter 1" in result.diagnosis[0].text


@pytest.mark.parametrize(
    ("changes", "kind"),
    [({"inverted": True}, "polarity"), ({"gain_db": 3.0}, "gain")],
)
def test_polarity_and_gain_of_one_output(bench, changes, kind):
    result = alone(bench, with_output(bench.tuning, "woofer C", **changes))
    assert {row.channel for row in result.rows if not row.passed} == {"woofer C"}
    assert result.diagnosis[0].kind == kind
    assert "(woofer C)" in result.diagnosis[0].text


def test_one_output_may_be_asked_for_and_none_is_an_error(bench):
    result = alone(bench, bench.tuning, ["sub"])
    assert result.passed
    assert [row.channel for row in result.rows] == ["sub", "sub"]
    assert result.missing == ()
    with pytest.raises(MeasurementError):
        verify_alone(
            bench.system,
            bench.tuning,
            bench.measured,
            dict.fromkeys(driving_channels(bench.tuning), ()),
        )
