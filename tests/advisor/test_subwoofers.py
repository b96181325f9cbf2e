from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.arrangement import (
    Arrangement,
    arranged,
    arrangement,
    bass_of,
    delay_room_ms,
    subwoofer_places,
)
from roomtune.advisor.energy import energy_model
from roomtune.advisor.measured import measured_from_responses
from roomtune.advisor.objective import residuals
from roomtune.advisor.palette import Rules
from roomtune.advisor.settings import moved
from roomtune.advisor.starting import starting_tuning
from roomtune.advisor.state import Free, neutral
from roomtune.advisor.subwoofers import joined, junction
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import Processor


def aims_for(workshop, drivers, seats=2):
    system = workshop.system(seats=seats)
    measured = workshop.measured(system, drivers)
    return Aims(system, measured, energy_model(measured, starting_tuning(system)))


def test_subwoofers_that_only_differ_in_delay_are_brought_together(workshop):
    drivers = workshop.drivers()
    drivers["sub one"] = replace(drivers["sub one"], delays_ms=(6.0, 6.0), gain_db=0.0)
    drivers["sub two"] = replace(drivers["sub two"], delays_ms=(9.0, 9.0), gain_db=0.0)
    aims = aims_for(workshop, drivers)
    found = arrangement(aims, starting_tuning(aims.system), (0.0, -3.0), 100.0)
    assert found.delays_ms[1] - found.delays_ms[0] == pytest.approx(-3.0, abs=0.11)
    assert found.inverted == (False, False)
    assert found.loss_db < 0.2


def room_like(workshop, seed, seats=4):
    """Subwoofers with strong random echoes, different at every seat."""
    random = np.random.default_rng(seed)
    samples = []
    system = workshop.system(seats=seats)
    for output in system.outputs:
        rows = []
        for seat in range(seats):
            echoes = tuple(
                (float(d), float(g))
                for d, g in zip(
                    random.uniform(3, 60, 14), random.uniform(-0.7, 0.7, 14), strict=True
                )
            )
            driver = replace(workshop.drivers(seats)[output.name], echoes=echoes)
            rows.append(workshop.samples(driver, seat))
        samples.append(rows)
    measured = measured_from_responses(system, ImpulseResponse(np.array(samples), 48000.0))
    return Aims(system, measured, energy_model(measured, starting_tuning(system)))


@pytest.mark.parametrize("seed", [1, 3])
def test_the_arrangement_is_as_good_as_an_exhaustive_grid(workshop, seed):
    aims = room_like(workshop, seed)
    tuning = starting_tuning(aims.system)
    start = (0.0, -3.0)
    found = arrangement(aims, tuning, start, 100.0)
    # Oracle: all settings on a grid of 0.5 ms, 3 dB and both polarities
    bass = bass_of(aims, tuning, subwoofer_places(aims), start, 100.0)
    grid = [
        (d, s, a, b)
        for d in np.arange(-16, 16.1, 0.5)
        for s in (1, -1)
        for a, b in ((0, 0), (0, -3), (0, -6), (-3, 0), (-6, 0), (0, -9), (-9, 0))
    ]
    delays = np.array([(0.0, d - 3.0) for d, _, _, _ in grid])
    signs = np.array([(1.0, s) for _, s, _, _ in grid])
    factor = 10 ** (np.array([(a, b) for _, _, a, b in grid]) / 20)
    costs = bass.costs(bass.turned(delays, signs) * factor[..., None], bass.allowed_db)
    signs = np.where(found.inverted, -1.0, 1.0)[None]
    turned = bass.turned(np.array([found.delays_ms]), signs)
    reached = bass.costs(
        turned * 10 ** (np.array([found.gains_db])[..., None] / 20), bass.allowed_db
    )[0]
    assert np.sqrt(2 * reached) <= np.sqrt(2 * costs.min()) + 0.02


def test_spread_and_loss_of_the_fit_are_those_of_the_search_and_differentiate(workshop):
    aims = room_like(workshop, 2)
    bass = bass_of(aims, starting_tuning(aims.system), (4, 5), (0.0, 1.0), 100.0)
    problem = bass.problem(bass.base)
    each = ((0,), (1,))
    free = Free(gains=each, delays=each)
    point = np.array([-1.0, -4.0, 0.0, 2.0])
    error, jacobian = residuals(problem, neutral(2), free, point)
    turned = bass.turned(np.array([[0.0, 2.0]]), np.ones((1, 2)))
    factor = 10 ** (np.array([[-1.0, -4.0]]) / 20)
    expected = bass.costs(turned * factor[..., None], bass.allowed_db)[0]
    assert 0.5 * error @ error == pytest.approx(expected, rel=1e-9)
    for column in range(4):
        ends = []
        for sign in (1, -1):
            moved = point.copy()
            moved[column] += sign * 1e-5
            ends.append(residuals(problem, neutral(2), free, moved)[0])
        np.testing.assert_allclose(jacobian[:, column], (ends[0] - ends[1]) / 2e-5, atol=1e-6)


def test_filters_of_their_own_even_out_the_seats_further(workshop):
    aims = room_like(workshop, 5)
    tuning = starting_tuning(aims.system)
    plain = arrangement(aims, tuning, (0.0, -3.0), 100.0)
    rules = Rules(Processor(), 6.0, 3)
    richer = arrangement(aims, tuning, (0.0, -3.0), 100.0, rules)
    assert plain.spread_db < plain.alone_db
    assert richer.spread_db <= plain.spread_db
    assert richer.loss_db < 3.5
    assert all(s.outputs in ((4,), (5,)) for s in richer.sections)


@pytest.mark.parametrize("turned", [False, True])
def test_subwoofers_meet_the_main_loudspeakers_in_phase(workshop, turned):
    drivers = workshop.drivers()
    same = (5.0, 5.0)
    drivers = {name: replace(d, delays_ms=same, gain_db=0.0) for name, d in drivers.items()}
    for name in ("sub one", "sub two"):
        drivers[name] = replace(drivers[name], reversed=turned, delays_ms=same)
    aims = aims_for(workshop, drivers)
    tuning = starting_tuning(aims.system)
    found = junction(aims, tuning, 80.0)
    assert found.inverted is turned
    assert found.loss_db < 0.6
    again = junction(aims, joined(aims, tuning, found), 80.0)
    assert again.delay_ms == pytest.approx(0.0, abs=0.6)


def test_an_arrangement_is_put_on_the_outputs(workshop):
    aims = aims_for(workshop, workshop.drivers())
    tuning = starting_tuning(aims.system)
    changed = arranged(aims, tuning, Arrangement((0.0, -2.0), (1.0, -1.0), (False, True), 1, 0))
    assert changed.output("sub two").gain_db == -2.0
    assert changed.output("sub two").inverted
    delays = changed.output("sub one").delay_ms - changed.output("sub two").delay_ms
    assert delays == pytest.approx(2.0)


def test_subwoofers_stay_within_the_delays_that_the_processor_has(workshop):
    """Loudspeakers at 0 to 4 ms of 6: subwoofers from -0.5 to 4.5 ms, with 1.5 ms of reserve."""
    drivers = workshop.drivers(4)
    aims = aims_for(workshop, drivers, seats=4)
    processor = Processor(delay_ms={"minimum": 0, "maximum": 6, "step": 0})
    short = replace(aims, system=aims.system.model_copy(update={"processor": processor}))
    tuning = moved(starting_tuning(aims.system), delays_ms={"left low": 4.0, "left high": 4.0})
    assert delay_room_ms(short, tuning) == pytest.approx((-0.5, 4.5))
    start = (0.0, -3.0)
    free = arrangement(aims, tuning, start, 100.0).delays_ms
    held = arrangement(short, tuning, start, 100.0).delays_ms
    assert min(free) < -0.5
    assert -0.5 - 1e-6 <= min(held) <= max(held) <= 4.5 + 1e-6
    late = moved(tuning, delays_ms={"sub one": 4.4, "sub two": 1.0})
    assert -1.5 <= junction(short, late, 80.0).delay_ms <= 0.1 + 1e-6
    crowded = moved(tuning, delays_ms={"left low": 4.0, "left high": 4.0})
    assert delay_room_ms(short, crowded) == (-np.inf, np.inf)
