"""Bass crossover, shared woofers, mono and stereo bass, on ideal loudspeakers."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.bands import usable_bands
from roomtune.advisor.bass_crossover import (
    bass_choices,
    candidates_hz,
    preference_db,
    with_bass_crossover,
)
from roomtune.advisor.energy import energy_model
from roomtune.advisor.layout import woofers_for_others
from roomtune.advisor.pinning import held_places
from roomtune.advisor.settings import moved
from roomtune.advisor.shared_bass import (
    shared_bass,
    shared_proposals,
    with_shared_gains,
    with_woofers_alike,
)
from roomtune.advisor.sounds import direct_sound_table
from roomtune.advisor.starting import starting_tuning
from roomtune.system.model import Loudspeaker, Processor, Wishes


def prepared(workshop, system, drivers):
    measured = workshop.measured(system, drivers)
    tuning = starting_tuning(system)
    aims = Aims(system, measured, energy_model(measured, tuning))
    return aims, tuning, direct_sound_table(measured, aims.main_seat)


def small_loudspeakers(workshop, low_hz):
    """Loudspeakers whose woofers reach down to `low_hz`, two subwoofers at the same place."""
    drivers = workshop.drivers()
    for name in ("left low", "right low"):
        drivers[name] = replace(drivers[name], low_hz=low_hz, delays_ms=(5.0,), gain_db=0.0)
    for name in ("sub one", "sub two"):
        drivers[name] = replace(drivers[name], delays_ms=(5.0,), gain_db=0.0)
    return drivers


def test_small_loudspeakers_hand_over_higher_than_large_ones(workshop):
    system = workshop.system()
    chosen = {}
    for low_hz in (35.0, 170.0):
        aims, tuning, table = prepared(workshop, system, small_loudspeakers(workshop, low_hz))
        bands = usable_bands(aims)
        choices = bass_choices(aims, tuning, table, 5.0, bands)
        assert [c.cost_db for c in choices] == sorted(c.cost_db for c in choices)
        assert {c.frequency_hz for c in choices} == set(candidates_hz(system, bands))
        chosen[low_hz] = choices[0].frequency_hz
    assert 60 <= chosen[35.0] <= 100
    assert chosen[170.0] > chosen[35.0]


def test_the_crossover_moves_where_bass_is_handed_over_and_nowhere_else(workshop):
    system = workshop.system()
    before = starting_tuning(system, 80.0)
    after = with_bass_crossover(system, before, 120.0)
    assert after == starting_tuning(system, 120.0)
    assert before.output("left high") == after.output("left high")


def test_what_a_frequency_costs_beside_its_sum(workshop):
    routed = workshop.system(processor=Processor(filters_per_route=2))
    assert preference_db(routed, 80.0, 40.0) == 0.0
    assert preference_db(routed, 160.0, 40.0) > preference_db(routed, 100.0, 40.0) > 0
    # An octave under what the loudspeakers bear costs a good deal
    assert preference_db(routed, 80.0, 120.0) > 1.0
    # A low pass on the subwoofer itself takes the top of LFE away too
    assert preference_db(workshop.system(), 60.0, 40.0) > preference_db(routed, 60.0, 40.0)


def shared_system(workshop):
    """Three channels; the left and right woofers are the only ones that reach down."""
    return workshop.system_of_three(
        workshop.output(1, "left woofer", "left", "woofer", 25, 5000),
        workshop.output(2, "right woofer", "right", "woofer", 25, 5000),
        workshop.output(3, "centre", "centre", "full range", 90, 20000),
        processor=Processor(filters_per_route=2),
    )


@pytest.mark.parametrize(("late_ms", "central"), [(0.0, True), (2.5, False)])
def test_shared_woofers_add_up_as_measured(workshop, late_ms, central):
    system = shared_system(workshop)
    driver = workshop.driver
    drivers = {
        "left woofer": driver(22, 2, 6000, 2, 0.0, (5.0, 4.0)),
        "right woofer": driver(22, 2, 6000, 2, 0.0, (5.0 + late_ms, 6.0)),
        "centre": driver(80, 2, None, 2, 0.0, (4.0,)),
    }
    aims, tuning, table = prepared(workshop, system, drivers)
    found = shared_bass(aims, tuning, table, 80.0)
    assert found.outputs == ("left woofer", "right woofer")
    assert found.level_db == pytest.approx(0.0, abs=0.05)
    assert found.time_ms == pytest.approx(late_ms, abs=0.1)
    # In phase two sources add 6.02 dB; a quarter of a period apart 3.01 dB
    assert found.sum_db == pytest.approx(6.0, abs=0.5) if central else found.sum_db < 5.8
    held = with_shared_gains(aims, tuning, found)
    redirected = [r.gain_db for r in held.routes if (r.channel, r.output) == ("C", "left woofer")]
    assert redirected == [pytest.approx(-found.sum_db, abs=0.051)]
    own = [r.gain_db for r in held.routes if (r.channel, r.output) == ("L", "left woofer")]
    assert own == [0.0]
    (told,) = shared_proposals(found, held)
    assert ("comes from between" in told.effect) is central


def test_woofers_left_unequally_loud_play_the_bass_of_others_alike(workshop):
    system = shared_system(workshop)
    driver = workshop.driver
    drivers = {
        "left woofer": driver(22, 2, 6000, 2, 0.0, (5.0, 4.0)),
        "right woofer": driver(22, 2, 6000, 2, 3.0, (5.0, 6.0)),
        "centre": driver(80, 2, None, 2, 0.0, (4.0,)),
    }
    aims, tuning, table = prepared(workshop, system, drivers)
    tuning = moved(tuning, gains_db={"right woofer": 8.0})
    found = with_woofers_alike(aims, tuning)
    before, after = (shared_bass(aims, each, table, 80.0) for each in (tuning, found))
    assert before.level_db == pytest.approx(11.0, abs=0.05)
    assert after.level_db < 0.2  # gains in steps of 0.1 dB
    told = shared_proposals(after, found)[0]
    assert "into left woofer" in told.change
    assert "comes from between" in told.effect
    gains = {(r.channel, r.output): r.gain_db for r in found.routes}
    started = {(r.channel, r.output): r.gain_db for r in tuning.routes}
    assert gains["L", "left woofer"] == 0.0
    # In phase, together as loud as before: 1 and 3.55 (11 dB) become twice 2.27
    for name, change in (("left woofer", 2.27), ("right woofer", 2.27 / 3.55)):
        wanted = started["C", name] + 20 * np.log10(change)
        assert gains["C", name] == pytest.approx(wanted, abs=0.3)


def test_shared_woofers_for_others_keep_their_gains_in_fits(workshop):
    system = shared_system(workshop)
    assert [o.name for o in woofers_for_others(system)] == ["left woofer", "right woofer"]
    names = tuple(o.name for o in system.outputs)
    held = {names[place] for place in held_places(system, names, "gains")}
    assert held == {"left woofer", "right woofer"}
    assert held_places(workshop.system(), names, "gains") == frozenset()
    assert held_places(system, names, "delays") == frozenset()


def test_stereo_bass_keeps_left_and_right_apart_at_equal_level(workshop):
    speakers = (
        Loudspeaker(name="left", channel="L", position_m=(1.0, 1.0, 1.0)),
        Loudspeaker(name="right", channel="R", position_m=(1.0, 4.0, 1.0)),
        Loudspeaker(name="sub one", position_m=(0.5, 0.5, 0.3)),
        Loudspeaker(name="sub two", position_m=(0.5, 4.5, 0.3)),
    )
    system = workshop.system(loudspeakers=speakers, wishes=Wishes(bass="stereo"))
    routes = {(r.channel, r.output): r.gain_db for r in starting_tuning(system).routes}
    assert ("L", "sub one") in routes
    assert ("L", "sub two") not in routes
    assert ("R", "sub two") in routes
    assert ("R", "sub one") not in routes
    assert routes["LFE", "sub one"] == pytest.approx(-6.0)
    mono = workshop.system(loudspeakers=speakers)
    assert ("L", "sub two") in {(r.channel, r.output) for r in starting_tuning(mono).routes}


def test_a_forbidden_redirection_leaves_every_loudspeaker_its_bass(workshop):
    system = workshop.system(wishes=Wishes(forbid=("bass redirection",)))
    routes = {(r.channel, r.output) for r in starting_tuning(system).routes}
    assert ("L", "sub one") not in routes
    assert ("LFE", "sub one") in routes


def test_the_judged_spread_of_seats_is_that_of_the_levels(workshop):
    system = workshop.system(seats=1)
    aims, tuning, table = prepared(workshop, system, small_loudspeakers(workshop, 50.0))
    choices = bass_choices(aims, tuning, table, 5.0, usable_bands(aims))
    assert np.max([c.spread_db for c in choices]) == pytest.approx(0.0, abs=1e-9)
