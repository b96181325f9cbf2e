"""What a retune may not touch: pins, loudspeakers left alone, bands that drivers do not play."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.settings import CROSSOVER_TYPES, with_outputs
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.rounding import rounded
from roomtune.processor.tuning import Filter
from roomtune.session.refits import Freedom, Refit
from roomtune.system.model import Wishes
from tests.advisor.conftest import a_system, ideal_drivers, measured_drivers

ECHOES = ((2.3, 0.35), (4.9, -0.3), (11.3, 0.25), (17.0, 0.2))
FILTERS = {
    "left low": Filter("peaking", 300.0, q=2.0, gain_db=-3.0),
    "right low": Filter("peaking", 300.0, q=2.0, gain_db=-3.0),
    "right high": Filter("peaking", 1750.0, q=1.0, gain_db=-2.0),
    "sub one": Filter("peaking", 40.0, q=3.0, gain_db=-4.0),
    "sub two": Filter("peaking", 55.0, q=3.0, gain_db=-4.0),
}
WISHES = Wishes(
    leave_alone=("left",),
    gains_db={"sub one": -3.0, "right high": -5.0},
    delays_ms={"sub one": 6.0},
)


def a_refit(wishes):
    system = a_system(wishes=wishes)
    drivers = {n: replace(d, echoes=ECHOES) for n, d in ideal_drivers().items()}
    measured = measured_drivers(system, drivers)
    tuning = starting_tuning(system)
    changed = {
        name: replace(tuning.output(name), filters=(*tuning.output(name).filters, item))
        for name, item in FILTERS.items()
    }
    return Refit.of(system, measured, rounded(with_outputs(tuning, changed), system.processor))


def sections(tuning, name):
    return [f for f in tuning.output(name).filters if f.type not in CROSSOVER_TYPES]


@pytest.fixture(scope="module")
def everything():
    return Freedom(delays=True, levels=True, sections=tuple(range(len(FILTERS))))


def test_a_retune_keeps_pins_and_leaves_alone_what_is_to_be(everything):
    refit = a_refit(WISHES)
    found = refit.result(everything)
    assert found.output("sub one").gain_db == pytest.approx(-3.0)
    assert found.output("right high").gain_db == pytest.approx(-5.0)
    assert found.output("sub one").delay_ms == pytest.approx(6.0, abs=0.006)
    assert sections(found, "left low") == sections(refit.tuning, "left low")
    assert sections(found, "right low") != sections(refit.tuning, "right low")


def test_without_wishes_all_of_them_move(everything):
    refit = a_refit(Wishes())
    found = refit.result(everything)
    assert all(sections(found, name) != sections(refit.tuning, name) for name in FILTERS)


def test_no_filter_is_free_to_leave_the_band_of_its_driver():
    refit = a_refit(Wishes())
    crossover_hz = next(
        f.frequency_hz for f in refit.tuning.output("right high").filters if f.type == "high pass"
    )
    for section in refit.sections:
        names = [refit.aims.model.outputs[place] for place in section.outputs]
        lowest, highest = (float(np.exp(bound[0])) for bound in (section.lower, section.upper))
        if names == ["right high"]:
            assert lowest == pytest.approx(crossover_hz / 1.4)
        if names == ["right low"]:
            assert highest <= crossover_hz * 1.4
        assert lowest <= np.exp(section.values[0]) <= highest
