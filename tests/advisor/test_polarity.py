from dataclasses import replace

import pytest

from roomtune.advisor.polarity import correct_polarities, driver_polarities, signs
from roomtune.advisor.sounds import direct_sound_table
from roomtune.advisor.starting import starting_tuning

ECHOES = ((2.3, 0.5), (4.1, -0.4), (7.7, 0.3))


@pytest.mark.parametrize("victim", ["left low", "right high", "sub two"])
def test_the_reversed_driver_is_found_and_named(workshop, victim):
    system, drivers = workshop.system(), workshop.drivers()
    drivers = {name: replace(driver, echoes=ECHOES) for name, driver in drivers.items()}
    drivers[victim] = replace(drivers[victim], reversed=True)
    measured = workshop.measured(system, drivers)
    table = direct_sound_table(measured, 0)
    tuning, notes = correct_polarities(system, measured, starting_tuning(system), table)
    assert [name for name, turned in signs(tuning).items() if turned] == [victim]
    assert [note.subject for note in notes] == [victim]
    assert "confidence" in notes[0].evidence


def test_arrivals_and_signs_of_ideal_drivers_are_recovered(workshop):
    system, drivers = workshop.system(), workshop.drivers()
    table = direct_sound_table(workshop.measured(system, drivers), 0)
    for output, time, sign in zip(system.outputs, table.times_ms, table.sign, strict=True):
        assert time == pytest.approx(drivers[output.name].delays_ms[0], abs=0.15)
        assert sign == 1


def test_seats_that_disagree_leave_doubt(workshop):
    from roomtune.advisor.polarity import _counted

    assert _counted("x", [-0.9, 0.8]).confidence < 0.1
    assert _counted("x", [-0.9, -0.8]).confidence > 0.8


def test_every_output_is_judged(workshop):
    system = workshop.system()
    measured = workshop.measured(system, workshop.drivers())
    found = driver_polarities(system, measured, direct_sound_table(measured, 0))
    assert [item.output for item in found] == [o.name for o in system.outputs]
    assert all(item.sign == 1 and item.confidence > 0.4 for item in found)
