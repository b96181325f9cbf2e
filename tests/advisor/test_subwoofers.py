from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims, base_gains
from roomtune.advisor.energy import energy_model
from roomtune.advisor.starting import starting_tuning
from roomtune.advisor.subwoofers import (
    _part,
    _spread_and_loss,
    arranged,
    arrangement,
    joined,
    junction,
    subwoofer_places,
)


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
    from roomtune.advisor.measured import measured_from_responses
    from roomtune.signal.values import ImpulseResponse

    measured = measured_from_responses(system, ImpulseResponse(np.array(samples), 48000.0))
    return Aims(system, measured, energy_model(measured, starting_tuning(system)))


@pytest.mark.parametrize("seed", [1, 3])
def test_the_arrangement_is_as_good_as_an_exhaustive_grid(workshop, seed):
    aims = room_like(workshop, seed)
    tuning = starting_tuning(aims.system)
    start = (0.0, -3.0)
    found = arrangement(aims, tuning, start, 100.0)
    # Oracle: all settings on a grid of 0.5 ms, 3 dB and both polarities
    places = subwoofer_places(aims)
    covariance, index, bands = _part(aims, 2, places, 100.0)
    base = base_gains(aims, tuning)[2][index][:, bands]
    frequencies = aims.model.centres_hz[bands]
    grid = [
        (d, s, a, b)
        for d in np.arange(-16, 16.1, 0.5)
        for s in (1, -1)
        for a, b in ((0, 0), (0, -3), (0, -6), (-3, 0), (-6, 0), (0, -9), (-9, 0))
    ]
    gains = np.array(
        [
            [
                10 ** (a / 20) * np.ones(len(frequencies)),
                s * 10 ** (b / 20) * np.exp(-2e-3j * np.pi * (d - 3.0) * frequencies),
            ]
            for d, s, a, b in grid
        ]
    )
    spread, loss = _spread_and_loss(covariance, gains * base, base, aims.average[0])
    cost = spread + 0.15 * loss + np.maximum(loss - 3, 0)
    reached = found.spread_db + 0.15 * found.loss_db + max(found.loss_db - 3, 0)
    assert reached <= cost.min() + 0.15


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
    from roomtune.advisor.subwoofers import Arrangement

    changed = arranged(aims, tuning, Arrangement((0.0, -2.0), (1.0, -1.0), (False, True), 1, 0))
    assert changed.output("sub two").gain_db == -2.0
    assert changed.output("sub two").inverted
    delays = changed.output("sub one").delay_ms - changed.output("sub two").delay_ms
    assert delays == pytest.approx(2.0)
