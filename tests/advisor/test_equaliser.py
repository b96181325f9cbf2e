from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims, problem_for
from roomtune.advisor.energy import energy_model
from roomtune.advisor.equaliser import grown
from roomtune.advisor.equalising import merged
from roomtune.advisor.objective import cost_of, residuals
from roomtune.advisor.palette import Ground, Rules, palette_of, section_at
from roomtune.advisor.starting import starting_tuning
from roomtune.advisor.state import Free, neutral, packed
from roomtune.system.model import Processor


@pytest.fixture(scope="module")
def aims(workshop):
    system = workshop.system()
    drivers = {
        name: replace(driver, echoes=((2.3, 0.4), (5.1, -0.3)))
        for name, driver in workshop.drivers().items()
    }
    measured = workshop.measured(system, drivers)
    return Aims(system, measured, energy_model(measured, starting_tuning(system)))


@pytest.fixture(scope="module")
def problem(aims):
    return problem_for(aims, starting_tuning(aims.system))


RULES = Rules(Processor(), 6.0, 10)


def test_jacobian_equals_central_differences(problem):
    random = np.random.default_rng(5)
    state = neutral(6)
    for place, (frequency, q) in enumerate([(60, 3.0), (400, 1.0), (3000, 2.0), (9000, 0.7)]):
        section = section_at("peaking", (place, (place + 2) % 6), frequency, q, RULES)
        values = (section.values[0], section.values[1], float(random.uniform(-5, 2)))
        state = state.with_section(replace(section, values=values))
    free = Free(gains=((0,), (1, 3)), delays=((4,), (5,)), sections=(0, 1, 2, 3))
    start, _, _ = packed(state, free)
    _, jacobian = residuals(problem, state, free, start)
    for column in range(free.count):
        step = 1e-5
        ends = []
        for sign in (1, -1):
            moved = start.copy()
            moved[column] += sign * step
            ends.append(residuals(problem, state, free, moved)[0])
        numeric = (ends[0] - ends[1]) / (2 * step)
        np.testing.assert_allclose(jacobian[:, column], numeric, atol=2e-6)


def test_jacobian_of_what_boosts_beyond_the_limits_equals_central_differences(problem):
    tight = replace(problem, boost_limit_db=1.0)
    state = neutral(6)
    for frequency, gain in [(400, 3.0), (600, -4.0), (1500, 2.0)]:
        section = section_at("peaking", (0,), frequency, 1.0, RULES)
        state = state.with_section(replace(section, values=(*section.values[:2], gain)))
    free = Free(sections=(0, 1, 2))
    start, _, _ = packed(state, free)
    error, jacobian = residuals(tight, state, free, start)
    assert len(error) > len(residuals(problem, state, free, start)[0])
    for column in range(free.count):
        moved = np.array([start, start])
        moved[:, column] += [1e-6, -1e-6]
        ends = [residuals(tight, state, free, row)[0] for row in moved]
        numeric = (ends[0] - ends[1]) / 2e-6
        np.testing.assert_allclose(jacobian[:, column], numeric, atol=2e-5)


def test_no_section_is_put_where_one_does_the_same(problem):
    grounds = [Ground((0,), (60, 3000))]
    palette = palette_of(problem, grounds, RULES)
    section = palette.sections[5]
    state = neutral(6).with_section(section.moved_to(*section.values[:2], -3.0))
    places = palette.open_places(state, 10).tolist()
    assert 5 not in places
    assert len(places) < len(palette.sections)
    for place in places:
        other = palette.sections[place]
        apart = abs(other.values[0] - section.values[0]) >= np.log(2) / 12
        broader = abs(other.values[1] - section.values[1]) >= np.log(2)
        assert apart or broader or other.kind != section.kind


def test_two_sections_that_do_the_same_become_one_within_its_bounds(problem):
    cut = section_at("peaking", (0,), 62.0, 4.0, RULES)
    cuts = [cut.moved_to(*cut.values[:2], gain) for gain in (-6.0, -5.0, -7.0)]
    elsewhere = section_at("peaking", (1,), 62.0, 4.0, RULES)
    state = neutral(6)
    for section in (*cuts, elsewhere.moved_to(*elsewhere.values[:2], -6.0)):
        state = state.with_section(section)
    found = merged(state)
    assert [(s.outputs, s.values[2]) for s in found.sections] == [
        ((0,), -11.0),
        ((0,), -7.0),
        ((1,), -6.0),
    ]


def test_no_gain_rises_by_more_than_twelve_decibels_in_all():
    risen = replace(neutral(3), gains_db=np.array([9.0, 0.0, 14.0]))
    _, lower, upper = packed(risen, Free(gains=((0,), (1,), (1, 2)), gain_reach_db=6.0))
    np.testing.assert_array_equal(upper, [3.0, 6.0, 0.0])
    np.testing.assert_array_equal(lower, [-6.0, -6.0, -6.0])


def test_gains_stay_with_the_state_when_all_else_is_folded_away(problem):
    free_of_charge = replace(problem, gain_weight=0.0)
    cuts = [section_at("peaking", (p,), f, 2.0, RULES) for p, f in ((0, 90.0), (4, 50.0))]
    state = replace(
        neutral(6),
        gains_db=np.array([7.0, 0.0, -2.0, 0.0, 5.0, 0.0]),
        delays_ms=np.array([0.3, 0.3, 0.0, 0.0, 1.2, 0.0]),
        sections=tuple(cut.moved_to(*cut.values[:2], -4.0) for cut in cuts),
    )
    folded, own = free_of_charge.folded(state, [1])
    np.testing.assert_array_equal(own.gains_db, state.gains_db)
    assert own.sections == state.sections[1:]
    assert cost_of(folded, own) == pytest.approx(cost_of(free_of_charge, state), rel=1e-12)
    # so the next fit may raise the first gain by what is left of 12 dB only
    assert packed(own, Free(gains=((0,),)))[2].tolist() == [5.0]


def test_growing_lowers_the_cost_and_keeps_the_bounds(problem):
    grounds = [Ground((0,), (60, 3000)), Ground((1,), (1500, 16000))]
    state = grown(problem, neutral(6), grounds, replace(RULES, per_output=5), ((0,), (1,)))
    assert cost_of(problem, state) < 0.9 * cost_of(problem, neutral(6))
    for section in state.sections:
        assert np.all(np.array(section.values) >= np.array(section.lower) - 1e-12)
        assert np.all(np.array(section.values) <= np.array(section.upper) + 1e-12)
    assert max(len(state.on(0)), len(state.on(1))) <= 5


def test_no_section_can_leave_its_ground(problem):
    ground = Ground((0,), (60.0, 3000.0))
    bounds = [(s.lower[0], s.upper[0]) for s in palette_of(problem, [ground], RULES).sections]
    low, high = np.exp(np.array(bounds)).T
    assert low.min() == pytest.approx(60)
    assert high.max() == pytest.approx(3000)
    assert np.all(low <= high)


def test_no_section_without_a_benefit(workshop):
    # Full-range drivers that are flat already: nothing to gain.
    system = workshop.system()
    flat = {name: workshop.driver(delays_ms=(5.0,)) for name in workshop.drivers()}
    measured = workshop.measured(system, flat)
    aims = Aims(system, measured, energy_model(measured, starting_tuning(system)))
    problem = problem_for(aims, starting_tuning(system), low_hz=200.0, high_hz=10e3)
    state = grown(problem, neutral(6), [Ground((0,), (200, 3000))], RULES, ((0,),))
    assert state.sections == ()


def test_narrow_sections_above_the_transition_and_narrow_boosts_are_refused():
    narrow = section_at("peaking", (0,), 60, 10.0, RULES)
    assert narrow.upper[2] == 0.0
    above = section_at("peaking", (0,), 2000, 3.0, RULES)
    assert np.exp(above.upper[1]) <= 4.5
    broad = section_at("peaking", (0,), 2000, 0.7, RULES)
    assert broad.upper[2] == RULES.boost_db


def test_the_target_follows_a_natural_low_end_and_no_further():
    from roomtune.advisor.aims import fitted_to_low_end

    centres = np.geomspace(25, 16000, 1500)
    wanted = np.zeros(len(centres))
    rolled = -12 * np.maximum(np.log2(80 / centres), 0)
    bent = fitted_to_low_end(centres, rolled, wanted)
    assert np.all(bent[centres > 70] == 0)
    assert bent[0] == pytest.approx(rolled[0] + 4, abs=1e-9)
    # 12 dB per octave, power mean over an octave: 10 lg(sinh(x) / x), x = 0.6 ln 10
    lift = 10 * np.log10(np.sinh(0.6 * np.log(10)) / (0.6 * np.log(10)))
    place = int(np.argmin(np.abs(centres - 38)))
    assert bent[place] == pytest.approx(rolled[place] + 4 + lift, abs=0.02)
    silent = np.where(centres < 60, -300.0, 0.0)
    assert fitted_to_low_end(centres, silent, wanted).min() > -40
    flat = fitted_to_low_end(centres, wanted, wanted)
    np.testing.assert_array_equal(flat, wanted)
