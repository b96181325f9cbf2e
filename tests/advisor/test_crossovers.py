from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.advisor.crossovers import candidates, ranked
from roomtune.advisor.joints import Pair, Slope, expects_inversion, joints_for
from roomtune.processor.filters import filter_response
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import Processor

FREQUENCIES = log_frequencies_hz(400, 12000, 24)


def flat_pair(delay_ms=0.0, gain_db=0.0, seats=1):
    """Ideal flat drivers, the upper one later by `delay_ms`."""
    one = np.ones((seats, len(FREQUENCIES)), dtype=complex)
    turn = np.exp(-2e-3j * np.pi * FREQUENCIES * delay_ms)
    upper = one * turn * 10 ** (gain_db / 20)
    return Pair(one, upper, FREQUENCIES, delay_ms / 1e3, np.ones(seats) / seats)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.floats(-0.8, 0.8), st.floats(-12, 12), st.sampled_from([1200.0, 2000.0, 3100.0]))
def test_known_delay_and_gain_are_recovered(delay_ms, gain_db, frequency):
    slope = Slope(frequency, "Linkwitz-Riley", 4, 4)
    joint, _ = joints_for(flat_pair(delay_ms, gain_db), slope, 48000)
    assert joint.delay_ms == pytest.approx(-delay_ms, abs=0.006)
    assert joint.gain_db == pytest.approx(-gain_db, abs=0.05)
    assert joint.ripple_db < 0.05
    assert joint.loss_db < 0.05


@pytest.mark.parametrize(
    ("family", "order", "inverted"),
    # S. Linkwitz 1976; D. Bohn 2005: which pairs need one driver turned over
    [
        ("Linkwitz-Riley", 2, True),
        ("Linkwitz-Riley", 4, False),
        ("Linkwitz-Riley", 8, False),
        ("Butterworth", 1, False),
        ("Butterworth", 2, True),
        ("Butterworth", 4, False),
    ],
)
def test_polarity_of_ideal_pairs_is_that_of_the_textbook(family, order, inverted):
    slope = Slope(2000.0, family, order, order)
    assert expects_inversion(slope, 48000) is inverted


@pytest.mark.parametrize("order", [2, 4, 8])
def test_electrical_sum_of_linkwitz_riley_pairs_is_flat(order):
    slope = Slope(1900.0, "Linkwitz-Riley", order, order)
    low = filter_response(slope.low_pass, 48000, FREQUENCIES)
    high = filter_response(slope.high_pass, 48000, FREQUENCIES)
    total = low - high if expects_inversion(slope, 48000) else low + high
    assert np.max(np.abs(20 * np.log10(np.abs(total)))) < 0.01


def test_the_tweeter_is_protected(workshop):
    system = workshop.system()
    upper = system.output("left high")
    for slope in candidates(system, upper, (1000.0, 3000.0), None):
        octaves = np.log2(slope.frequency_hz / upper.safe_band_hz[0])
        assert 6 * slope.high_order * octaves >= 9


def real_pair(workshop, reversed_upper=False):
    """Two drivers with their own roll-offs at two seats."""
    system = workshop.system()
    drivers = workshop.drivers()
    if reversed_upper:
        drivers["left high"] = replace(drivers["left high"], reversed=True)
    measured = workshop.measured(system, drivers)
    values = measured.at(FREQUENCIES).values
    return system, Pair(values[0], values[1], FREQUENCIES, -0.05e-3, np.array([0.7, 0.3]))


def test_the_choice_is_as_good_as_an_exhaustive_search(workshop):
    system, pair = real_pair(workshop)
    upper = system.output("left high")
    tries = candidates(system, upper, (1200.0, 4600.0), None)
    best = ranked([pair], (1200.0, 4600.0), tries, system.processor)[0]
    ripple = summed_ripple(pair, best.slope, best.joints[0])
    # Oracle: every slope, both polarities, every whole sample of delay up to half a period
    exhaustive = min(
        summed_ripple(pair, slope, replace(joint, delay_ms=samples / 48.0, inverted=turned))
        for slope in tries
        for joint in joints_for(pair, slope, 48000)[:1]
        for turned in (False, True)
        for samples in range(-16, 24)
    )
    assert ripple <= exhaustive + 0.2


def summed_ripple(pair, slope, joint):
    """Distance of the sum from flat through two octaves, rms in dB after one level, main seat."""
    inside = (slope.frequency_hz / 2 < FREQUENCIES) & (slope.frequency_hz * 2 > FREQUENCIES)
    low = filter_response(slope.low_pass, 48000, FREQUENCIES) * pair.lower[0]
    high = filter_response(slope.high_pass, 48000, FREQUENCIES) * pair.upper[0]
    factor = 10 ** (joint.gain_db / 20) * (-1 if joint.inverted else 1)
    turn = np.exp(-2e-3j * np.pi * FREQUENCIES * joint.delay_ms)
    return float(np.std(20 * np.log10(np.abs(low + factor * high * turn))[inside]))


@settings(derandomize=True, deadline=None, max_examples=25)
@given(
    st.floats(-0.3, 0.3),
    st.sampled_from([1.0, -1.0]),
    st.sampled_from([("Linkwitz-Riley", 2), ("Linkwitz-Riley", 4), ("Linkwitz-Riley", 8)]),
)
def test_polarity_follows_a_reversed_driver(delay_ms, sign, kind):
    pair = flat_pair(delay_ms)
    slope = Slope(2000.0, *kind, kind[1])
    best = ranked([replace(pair, upper=sign * pair.upper)], (1000.0, 4000.0), [slope], Processor())[
        0
    ]
    assert best.joints[0].inverted is (expects_inversion(slope, 48000) != (sign < 0))
    assert best.sum_db < 0.1


def test_settings_that_sum_alike_are_told_apart_by_preference():
    processor = Processor(crossovers={"Linkwitz-Riley": (4,)})
    tries = [Slope(f, "Linkwitz-Riley", 4, 4) for f in (1200.0, 1900.0, 3300.0)]
    found = ranked([flat_pair()], (1000.0, 3600.0), tries, processor)
    assert found[0].slope.frequency_hz == 1900.0
    costs = [choice.cost_db for choice in found]
    assert costs == sorted(costs)
