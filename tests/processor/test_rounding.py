"""Tunings on the steps of a processor."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.processor.fitting import misfits
from roomtune.processor.rounding import rounded, rounded_frequency, rounded_to
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    Limiter,
    OutputSetting,
    Route,
    Tuning,
)
from roomtune.system.model import Processor, Range

PROCESSOR = Processor(number_format="5.23", sample_rate_hz=96000)
TUNING = Tuning(
    48000,
    (ChannelSetting("C", -1.234),),
    (Route("C", "a", -3.33, True),),
    (
        OutputSetting(
            "a",
            1,
            0.04,
            True,
            2.3149,
            (
                Filter("peaking", 41.337, 6.204, -7.449),
                Filter("low pass", 2212.26, family="Linkwitz-Riley", order=4),
            ),
            Limiter(-6.0),
        ),
    ),
)


def test_every_value_lands_on_its_step():
    found = rounded(TUNING, PROCESSOR)
    assert found.sample_rate_hz == 96000
    assert found.number_format == "5.23"
    assert found.channels[0].gain_db == -1.2
    assert found.routes[0] == Route("C", "a", -3.3, True)
    output = found.outputs[0]
    assert (output.gain_db, output.inverted, output.delay_ms) == (0.0, True, 2.31)
    assert output.filters[0] == Filter("peaking", 41.3, 6.2, -7.4)
    assert output.filters[1] == Filter("low pass", 2212.3, family="Linkwitz-Riley", order=4)
    assert output.limiter == Limiter(-6.0)
    assert rounded(found, PROCESSOR) == found
    assert misfits(found, PROCESSOR) == ()


@settings(derandomize=True, deadline=None, max_examples=400)
@given(
    st.floats(-1e4, 1e4),
    st.sampled_from([0.0, 0.01, 0.1, 0.25, 1 / 3, 1.0, 7.0]),
    st.floats(-100, 100),
    st.floats(0, 1000),
)
def test_rounding_is_idempotent_in_range_and_near(value, step, low, span):
    allowed = Range(minimum=low, maximum=low + span, step=step)
    found = rounded_to(value, allowed)
    assert rounded_to(found, allowed) == found
    assert low - 1e-9 <= found <= low + span + 1e-9
    inside = min(max(value, low), low + span)
    assert abs(found - inside) <= step * (1 if inside > low + span - step else 0.5) + 1e-9


def test_decimals_are_clean():
    gain = Range(minimum=-60, maximum=12, step=0.1)
    assert repr(rounded_to(-7.449, gain)) == "-7.4"
    assert repr(rounded_to(0.31, Range(minimum=0.3, maximum=20, step=0.01))) == "0.31"
    assert rounded_to(99, gain) == 12
    assert rounded_to(-99, gain) == -60


def test_significant_digits_of_frequencies():
    coarse = Processor(frequency_significant_digits=3)
    assert rounded_frequency(2212.26, coarse) == 2210
    assert rounded_frequency(41.337, coarse) == 41.3
    assert rounded_frequency(5.0, coarse) == 10


@pytest.mark.parametrize(
    ("tuning", "text"),
    [
        (
            Tuning(48000, (ChannelSetting("C", 0, (Filter("peaking", 50.0, 1.0, 1.0),)),)),
            "channel 'C': 1 filters, but there are 0",
        ),
        (
            Tuning(48000, routes=(Route("C", "a", delay_ms=1.0),)),
            "route 'C' to 'a': delay 1 ms, but routes have no delay",
        ),
        (
            Tuning(48000, outputs=(OutputSetting("a", 1, 20.0),)),
            "output 'a' gain_db: 20, but the range is -60 to 12",
        ),
        (
            Tuning(48000, outputs=(OutputSetting("a", 1, delay_ms=50.0),)),
            "output 'a' delay_ms: 50, but the range is 0 to 40",
        ),
        (
            Tuning(
                48000,
                outputs=(
                    OutputSetting(
                        "a", 1, filters=(Filter("low pass", 90.0, family="Bessel", order=2),)
                    ),
                ),
            ),
            "output 'a', low pass: Bessel order 2, offered: none",
        ),
        (
            Tuning(48000, outputs=(OutputSetting("a", 1, filters=(Filter("notch", 90.0, 2.0),)),)),
            "output 'a', notch: offered are only peaking, low shelf, high shelf",
        ),
        (
            Tuning(
                48000, outputs=(OutputSetting("a", 1, filters=(Filter("fir", taps=(1.0, 0.5)),)),)
            ),
            "output 'a': 2 taps, but there are 0",
        ),
        (
            Tuning(
                48000,
                outputs=(
                    OutputSetting("a", 1, filters=(Filter("peaking", 90.0, 40.0, -30.0),) * 11),
                ),
            ),
            "output 'a': 11 filters, but there are 10",
        ),
    ],
)
def test_what_does_not_fit_is_said(tuning, text):
    assert text in misfits(tuning, Processor())


def test_limits_of_routes_and_limiters():
    plain = Processor(route_gains=False, limiters=False)
    found = misfits(TUNING, plain)
    assert "route 'C' to 'a': gain -3.33 dB, but routes have no gain" in found
    assert "output 'a': has a limiter, but the processor has none" in found
