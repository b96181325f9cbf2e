"""The wish for the most boost holds for all filters of an output together."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.advisor.boosts import boost_db, within_boost
from roomtune.processor.filters import filter_response
from roomtune.processor.rounding import rounded_to
from roomtune.processor.tuning import Filter, OutputSetting, Tuning
from roomtune.system.model import Wishes

RATE = 48000.0
GRID = np.geomspace(10, 20000, 3000)
CROSSOVER = Filter("low pass", 600.0, family="Linkwitz-Riley", order=4)


def lifted_db(filters, limit_db):
    """By the filters' complex responses, an independent way: boosts, and cuts up to what they
    may make room for."""
    levels = np.zeros((2, len(GRID)))
    for item in filters:
        if item.gain_db is not None:
            level = 20 * np.log10(np.abs(filter_response(item, RATE, GRID)))
            levels[int(item.gain_db <= 0)] += level
    room = min(3.0, limit_db / 2)
    return float(np.max(levels[0] + np.clip(levels[1], -room, 0.0), initial=0.0))


def bounded(workshop, filters, limit_db=6.0):
    system = workshop.system()
    system = system.model_copy(update={"wishes": Wishes(maximum_boost_db=limit_db)})
    tuning = Tuning(RATE, outputs=(OutputSetting("left low", 1, filters=tuple(filters)),))
    found = within_boost(system, tuning).outputs[0].filters
    knob = system.processor.filter_gain_db
    assert all(f.gain_db == rounded_to(f.gain_db, knob) for f in found if f.gain_db is not None)
    return found


def test_two_boosts_at_one_place_share_what_is_allowed(workshop):
    twice = Filter("peaking", 106.9, 2.2, 4.0)
    cut = Filter("peaking", 120.0, 3.0, -5.0)
    found = bounded(workshop, (CROSSOVER, twice, twice))
    assert found[1].gain_db + found[2].gain_db == pytest.approx(6.0, abs=0.05)
    assert abs(found[1].gain_db - found[2].gain_db) < 0.15
    assert found[0] == CROSSOVER
    # A cut makes room for a boost, up to half the wish more.
    found = bounded(workshop, (twice, cut, twice, twice))
    assert found[1] == cut
    assert lifted_db(found, 6.0) == pytest.approx(6.0, abs=0.15)
    assert 6.5 < sum(item.gain_db for item in found if item.gain_db > 0) < 9.1


def test_what_is_within_the_wish_stays_as_it_is(workshop):
    filters = (CROSSOVER, Filter("peaking", 50.0, 3.0, 6.0), Filter("peaking", 3000.0, 3.0, 5.0))
    assert bounded(workshop, filters) == filters
    assert bounded(workshop, ()) == ()
    assert boost_db((CROSSOVER,), RATE, 6.0)[0] == 0.0


boosts = st.builds(
    Filter,
    st.sampled_from(["peaking", "low shelf", "high shelf"]),
    st.floats(30, 10000).map(lambda f: round(f, 1)),
    st.floats(0.4, 5).map(lambda q: round(q, 2)),
    st.floats(-6, 6).map(lambda g: round(g, 1)),
)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(filters=st.lists(boosts, max_size=5), limit_db=st.sampled_from([0.0, 3.0, 6.0]))
def test_no_stack_exceeds_the_wish(workshop, filters, limit_db):
    found = bounded(workshop, filters, limit_db)
    assert lifted_db(found, limit_db) <= limit_db + 0.05
    for old, new in zip(filters, found, strict=True):
        assert replace(new, gain_db=old.gain_db) == old
        assert new.gain_db <= old.gain_db
        assert old.gain_db > 0 or new == old
