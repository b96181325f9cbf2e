import numpy as np
import pytest

from roomtune.advisor.limits import headrooms, limited, within_headroom
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.rendering import render
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.system.model import Processor


def test_unity_routes_add_up():
    tuning = Tuning(
        48000,
        (ChannelSetting("L"), ChannelSetting("R", gain_db=-6.0)),
        (Route("L", "sub"), Route("R", "sub")),
        (OutputSetting("sub", 1),),
    )
    found = headrooms(tuning)[0]
    assert found.sine_dbfs == pytest.approx(0.0, abs=1e-9)
    assert found.worst_dbfs == pytest.approx(20 * np.log10(1 + 10**-0.3), abs=1e-9)
    assert found.typical_dbfs == pytest.approx(10 * np.log10(1 + 10**-0.6), abs=1e-9)


def test_a_boost_is_seen():
    boost = Filter("peaking", 50.0, 2.0, 6.0)
    tuning = Tuning(
        48000,
        (ChannelSetting("L"),),
        (Route("L", "sub"),),
        (OutputSetting("sub", 1, filters=(boost,)),),
    )
    found = headrooms(tuning)[0]
    assert found.sine_dbfs == pytest.approx(6.0, abs=0.01)
    assert found.worst_dbfs > 6.0


def test_no_signal_exceeds_the_worst_case(workshop):
    tuning = starting_tuning(workshop.system())
    worst = {item.output: item.worst_dbfs for item in headrooms(tuning)}
    random = np.random.default_rng(0)
    programme = np.sign(random.normal(size=(24000, 3)))
    peaks = np.abs(render(tuning, programme, limiters=False)).max(axis=0)
    for setting, peak in zip(tuning.outputs, peaks, strict=True):
        assert 20 * np.log10(peak) <= worst[setting.name] + 1e-6


def test_no_single_channel_clips_after_headroom_is_made(workshop):
    system = workshop.system()
    tuning = within_headroom(system, starting_tuning(system))
    assert max(item.sine_dbfs for item in headrooms(tuning)) <= 1e-9
    assert max(item.sine_dbfs for item in headrooms(tuning)) > -0.2


def test_without_limiters_the_worst_case_stays_within_every_limit(workshop):
    system = workshop.system(processor=Processor(limiters=False))
    tuning = limited(system, within_headroom(system, starting_tuning(system)))
    for item in headrooms(tuning):
        assert item.worst_dbfs <= system.output(item.output).maximum_level_dbfs + 1e-9
    assert all(setting.limiter is None for setting in tuning.outputs)


def test_limiters_hold_every_output_at_its_stated_level(workshop):
    system = workshop.system()
    tuning = limited(system, starting_tuning(system))
    random = np.random.default_rng(1)
    programme = np.sign(random.normal(size=(24000, 3)))
    peaks = np.abs(render(tuning, programme, limiters=True)).max(axis=0)
    for setting, peak in zip(tuning.outputs, peaks, strict=True):
        limit = system.output(setting.name).maximum_level_dbfs
        assert 20 * np.log10(max(peak, 1e-9)) <= limit + 1e-9
