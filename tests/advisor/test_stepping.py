from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.energy import energy_model
from roomtune.advisor.settings import with_outputs
from roomtune.advisor.starting import starting_tuning
from roomtune.advisor.stepping import stepped
from roomtune.processor.fitting import misfits
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Filter
from roomtune.system.model import Processor, Range

COARSE = Processor(
    filters_per_output=4,
    gain_db=Range(minimum=-40, maximum=6, step=0.5),
    filter_gain_db=Range(minimum=-12, maximum=6, step=1.0),
    filter_q=Range(minimum=0.4, maximum=10, step=0.2),
    filter_frequency_hz=Range(minimum=20, maximum=20000, step=1.0),
    frequency_significant_digits=2,
)


@pytest.fixture(scope="module")
def coarse(workshop):
    system = workshop.system(processor=COARSE)
    drivers = {
        n: replace(d, echoes=((2.3, 0.4), (5.1, -0.3))) for n, d in workshop.drivers().items()
    }
    measured = workshop.measured(system, drivers)
    aims = Aims(system, measured, energy_model(measured, starting_tuning(system)))
    tuning = starting_tuning(system)
    added = {
        name: replace(
            tuning.output(name),
            filters=(*tuning.output(name).filters, Filter("peaking", frequency, 1.0, -2.0)),
        )
        for name, frequency in (("left low", 300.0), ("right high", 5000.0), ("sub one", 45.0))
    }
    return aims, rounded(with_outputs(tuning, added), COARSE)


def test_single_steps_lower_the_cost_and_stay_on_the_steps(workshop, coarse):
    aims, tuning = coarse
    found = stepped(aims, tuning)
    assert workshop.whole_cost(aims, found) < workshop.whole_cost(aims, tuning)
    again = rounded(found, COARSE)
    for held, exact in zip(again.outputs, found.outputs, strict=True):
        assert held.gain_db == pytest.approx(exact.gain_db, abs=1e-9)
        for one, other in zip(held.filters, exact.filters, strict=True):
            assert one.frequency_hz == pytest.approx(other.frequency_hz, rel=1e-9)
            if one.gain_db is not None:
                assert (one.gain_db, one.q) == pytest.approx((other.gain_db, other.q), abs=1e-9)
    assert misfits(again, COARSE) == ()


def test_crossovers_delays_and_polarities_stay(coarse):
    aims, tuning = coarse
    found = stepped(aims, tuning)
    for before, after in zip(tuning.outputs, found.outputs, strict=True):
        assert (before.delay_ms, before.inverted) == (after.delay_ms, after.inverted)
        assert before.filters[0] == after.filters[0]
    assert found.routes == tuning.routes


def test_nothing_happens_where_no_step_helps(workshop, coarse):
    aims, tuning = coarse
    best = rounded(stepped(aims, tuning), COARSE)
    again = stepped(aims, best)
    assert np.isclose(workshop.whole_cost(aims, again), workshop.whole_cost(aims, best), rtol=0.02)
