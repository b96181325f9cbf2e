"""Filters on channels: alike on both sides, worth their place, within the wishes."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.channel_filters import channel_groups, serves, with_channel_filters
from roomtune.advisor.effects import levels_of, off_target
from roomtune.advisor.energy import energy_model
from roomtune.advisor.prediction import predict
from roomtune.advisor.scores import target_deviation_db
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.fitting import misfits
from roomtune.processor.rounding import rounded
from roomtune.system.model import Processor, Wishes

ECHOES = ((2.3, 0.4), (4.9, -0.35), (11.3, 0.25))


def aims_of(workshop, filters=4, **wishes):
    processor = Processor(filters_per_channel=filters)
    system = workshop.system(processor=processor, wishes=Wishes(**wishes))
    drivers = {n: replace(d, echoes=ECHOES) for n, d in workshop.drivers().items()}
    measured = workshop.measured(system, drivers)
    tuning = rounded(starting_tuning(system), processor)
    return Aims(system, measured, energy_model(measured, tuning)), tuning


@pytest.fixture(scope="module")
def fitted(workshop):
    aims, tuning = aims_of(workshop)
    return aims, tuning, *with_channel_filters(aims, tuning)


def test_left_and_right_get_the_same_few_filters(fitted):
    _, _, tuning, told = fitted
    left, right = tuning.channel("L").filters, tuning.channel("R").filters
    assert 0 < len(left) <= 4
    assert left == right
    assert tuning.channel("LFE").filters == ()
    assert [p.subject for p in told] == ["L, R"]


def test_the_channels_come_nearer_to_the_target_as_the_whole_prediction_says(fitted):
    aims, before, after, _ = fitted
    away = [
        float(np.sqrt(np.mean(target_deviation_db(aims.system, aims.measured.seats, r[:2]) ** 2)))
        for r in (predict(t, aims.measured).response for t in (before, after))
    ]
    assert away[1] < away[0] - 0.2
    quick = [off_target(("L", "R"))(levels_of(aims, t)) for t in (before, after)]
    assert np.allclose(quick, away, atol=0.1)


def test_the_processor_can_hold_them(fitted):
    aims, _, tuning, _ = fitted
    assert misfits(tuning, aims.system.processor) == ()
    assert rounded(tuning, aims.system.processor) == tuning


def test_what_brings_nothing_or_costs_a_seat_is_not_kept(fitted):
    aims, _, tuning, _ = fitted
    now = levels_of(aims, tuning)
    assert not serves(now, now, ("L", "R"))
    better = replace(now, level_db=np.broadcast_to(now.wanted_db, now.level_db.shape).copy())
    assert serves(now, better, ("L", "R"))
    tilted = better.level_db.copy()
    tilted[:, 1] += np.linspace(-9, 9, tilted.shape[-1])
    assert not serves(now, replace(better, level_db=tilted), ("L", "R"))


def test_without_channel_filters_or_for_loudspeakers_left_alone_nothing_changes(workshop):
    aims, tuning = aims_of(workshop, filters=0)
    assert with_channel_filters(aims, tuning) == (tuning, [])
    aims, tuning = aims_of(workshop, leave_alone=("left",))
    assert channel_groups(aims) == []
    assert with_channel_filters(aims, tuning) == (tuning, [])


def test_no_boost_means_no_boost(workshop):
    aims, tuning = aims_of(workshop, maximum_boost_db=0.0)
    found, _ = with_channel_filters(aims, tuning)
    assert all((f.gain_db or 0.0) <= 0 for c in found.channels for f in c.filters)
