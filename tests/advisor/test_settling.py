from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.boosts import boost_db
from roomtune.advisor.energy import energy_model
from roomtune.advisor.settings import with_outputs
from roomtune.advisor.settling import _one_by_one, settled, settled_within_boost
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.fitting import misfits
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Filter
from roomtune.system.model import Processor, Range, Wishes

COARSE = Processor(
    filters_per_output=4,
    delay_ms=Range(minimum=0, maximum=20, step=0.1),
    gain_db=Range(minimum=-40, maximum=6, step=1.0),
    filter_gain_db=Range(minimum=-12, maximum=12, step=1.0),
    filter_q=Range(minimum=0.4, maximum=10, step=0.2),
    filter_frequency_hz=Range(minimum=20, maximum=20000, step=1.0),
    frequency_significant_digits=2,
)
FILTERS = {
    "left low": (("peaking", 301.7, 1.13, -2.4), ("peaking", 640.0, 1.57, 1.6)),
    "right high": (("peaking", 4987.0, 1.31, -1.7), ("high shelf", 9100.0, 0.7, 2.3)),
    "sub one": (("peaking", 45.3, 1.9, -3.4),),
}


@pytest.fixture(scope="module")
def coarse(workshop):
    system = workshop.system(processor=COARSE, wishes=Wishes(gains_db={"right low": -3.0}))
    drivers = {
        n: replace(d, echoes=((2.3, 0.4), (5.1, -0.3))) for n, d in workshop.drivers().items()
    }
    measured = workshop.measured(system, drivers)
    tuning = starting_tuning(system)
    changed = {}
    for name, rows in FILTERS.items():
        held = tuning.output(name)
        filters = (*held.filters, *(Filter(*row) for row in rows))
        changed[name] = replace(held, filters=filters, gain_db=held.gain_db - 0.4, delay_ms=1.234)
    aims = Aims(system, measured, energy_model(measured, tuning))
    return aims, with_outputs(tuning, changed)


def test_what_settles_lies_on_the_steps_and_costs_less_than_plain_rounding(workshop, coarse):
    aims, tuning = coarse
    found = settled(aims, tuning)
    assert misfits(found, COARSE) == ()
    assert found == rounded(found, COARSE)
    assert workshop.whole_cost(aims, found) < workshop.whole_cost(aims, rounded(tuning, COARSE))


def test_pinned_gains_delays_and_crossovers_stay(coarse):
    aims, tuning = coarse
    found, plain = settled(aims, tuning), rounded(tuning, COARSE)
    assert found.output("right low").gain_db == plain.output("right low").gain_db
    assert found.output("left low").gain_db != plain.output("left low").gain_db
    for one, other in zip(found.outputs, plain.outputs, strict=True):
        assert one.delay_ms == other.delay_ms
        assert [f for f in one.filters if "pass" in f.type] == [
            f for f in other.filters if "pass" in f.type
        ]


def test_no_output_settles_beyond_the_boost_that_is_wished(coarse):
    aims, tuning = coarse
    limit = 2.0
    wishes = aims.system.wishes.model_copy(update={"maximum_boost_db": limit})
    bounded = replace(aims, system=aims.system.model_copy(update={"wishes": wishes}))
    before = tuning.output("right high").filters
    assert boost_db(before, tuning.sample_rate_hz, limit)[0] > limit
    found = settled_within_boost(bounded, tuning)
    for output in found.outputs:
        assert boost_db(output.filters, found.sample_rate_hz, limit)[0] < limit + 0.02


def test_rounding_one_by_one_is_plain_rounding_where_nothing_hangs_together():
    values = np.array([0.3, 1.6, -2.2])
    found = _one_by_one(values, np.diag([1.0, 2.0, 3.0]), [0, 1, 2], lambda _, v: round(v))
    np.testing.assert_array_equal(found, [0, 2, -2])


@pytest.mark.parametrize("seed", range(20))
def test_what_is_not_rounded_follows_to_the_least_of_the_quadratic(seed):
    random = np.random.default_rng(seed)
    root = random.standard_normal((6, 4))
    normal, values = root.T @ root, random.uniform(-3, 3, 4)
    found = _one_by_one(values, np.linalg.inv(normal), [1, 3], lambda _, v: round(v))
    moved = found - values
    fixed, free = [1, 3], [0, 2]
    wanted = -np.linalg.solve(
        normal[np.ix_(free, free)], normal[np.ix_(free, fixed)] @ moved[fixed]
    )
    np.testing.assert_allclose(moved[free], wanted, atol=1e-9)
    assert all(found[place] == round(found[place]) for place in fixed)


def test_rounding_one_by_one_beats_plain_rounding_on_the_average():
    random = np.random.default_rng(7)
    ours, plain, best = [], [], []
    for _ in range(60):
        root = random.standard_normal((5, 3))
        normal, values = root.T @ root, random.uniform(-3, 3, 3)
        spread = np.linalg.inv(normal)
        found = _one_by_one(values, spread, [0, 1, 2], lambda _, v: round(v)) - values
        near = np.round(values) - values
        ours.append(found @ normal @ found)
        plain.append(near @ normal @ near)
        grid = [np.floor(v) + np.arange(-2, 4) for v in values]
        best.append(
            min((p - values) @ normal @ (p - values) for p in map(np.array, product(*grid)))
        )
    assert np.all(np.array(ours) >= np.array(best) - 1e-9)
    assert np.mean(ours) - np.mean(best) < 0.5 * (np.mean(plain) - np.mean(best))
