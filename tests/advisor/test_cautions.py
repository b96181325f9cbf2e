"""What is told of limits and dangers follows from the numbers."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.cautions import caution_proposals
from roomtune.advisor.driver_limits import driver_limit
from roomtune.advisor.limit_explaining import limit_proposals, loudness_proposals
from roomtune.advisor.limits import limited
from roomtune.advisor.maximum_level import MaximumLevel, pressure_of_unity_pa
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.system.model import (
    Channel,
    DriverData,
    Loudspeaker,
    Microphone,
    Output,
    Playback,
    Processor,
    Seat,
    System,
)


def one(driver="woofer", channels=("L", "R"), processor=None, **changes):
    """Channels that all go to one output."""
    output = Output(
        name="driver",
        number=1,
        loudspeaker="box",
        driver=driver,
        playback=Playback(interface_output=1),
        safe_band_hz=(40.0, 4000.0),
        **changes,
    )
    return System(
        name="one",
        channels=tuple(Channel(name=name) for name in channels),
        loudspeakers=(Loudspeaker(name="box", channel=channels[0]),),
        outputs=(output,),
        seats=(Seat(name="seat", main=True),),
        processor=processor or Processor(),
    )


def tuned(system, gain_db=0.0, filters=()):
    channels = tuple(ChannelSetting(c.name) for c in system.channels)
    routes = tuple(Route(c.name, "driver") for c in system.channels)
    output = OutputSetting("driver", 1, gain_db=gain_db, filters=filters)
    return limited(system, Tuning(48000, channels, routes, (output,)))


def said(proposals, words):
    return [p for p in proposals if words in p.change]


def test_the_input_trim_is_what_unrelated_programmes_exceed_the_limiter_by():
    # Two channels at full scale, unrelated: 3.01 dB over one; the limiter stands at -12 dBFS
    system = one(maximum_level_dbfs=-12.0)
    trim = limit_proposals(system, tuned(system))[-1]
    assert trim.step == "headroom"
    assert trim.effect_db == pytest.approx(-15.0, abs=0.05)
    assert "15.0 dB" in trim.change
    assert trim.figures["worst_dbfs"] == (pytest.approx(6.02, abs=0.01),)
    assert trim.figures["limit_dbfs"] == (-12.0,)


def test_without_excess_no_trim_is_asked():
    system = one(maximum_level_dbfs=-12.0)
    trim = limit_proposals(system, tuned(system, gain_db=-20.0))[-1]
    assert trim.change == "no input trim is needed"
    assert trim.effect_db == pytest.approx(20 - 3.01 - 12.0, abs=0.05)


def test_every_limit_of_an_output_is_told_with_where_it_is_least():
    data = DriverData(
        piston_area_cm2=137,
        peak_excursion_mm=5,
        sensitivity_db=88,
        thermal_power_w=2.0,
        nominal_impedance_ohm=8,
    )
    system = one(maximum_level_dbfs=-3.0, full_scale_v=20.0, data=data)
    limit = driver_limit(system.outputs[0], np.geomspace(20, 5000, 500))
    least = limit.least((40.0, 4000.0))
    assert set(least) == {"stated level", "excursion", "thermal power"}
    assert least["excursion"][1] == pytest.approx(40.0, rel=0.02)
    # 2 W in 8 ohm are 4 V, 13.98 dB under 20 V; peaks may reach 3.01 dB more
    assert least["thermal power"][0] == pytest.approx(-13.98 + 3.01, abs=0.01)
    evidence = limit_proposals(system, tuned(system))[0].evidence
    assert "-11.0 dBFS by thermal power" in evidence
    assert "dBFS at 41 Hz by excursion" in evidence


def test_levels_are_sound_pressure_where_the_microphone_is_calibrated():
    system = one()
    assert pressure_of_unity_pa(system, "FS") is None
    assert pressure_of_unity_pa(system, "Pa") == 1.0
    heard = system.model_copy(update={"microphone": Microphone(sensitivity_dbfs_at_94_db=-20.0)})
    assert pressure_of_unity_pa(heard, "FS") == pytest.approx(10.0)


def level(db, channel="L"):
    return MaximumLevel(channel, (63.0, 1000.0), (db, db - 6), ("a: heat", "a: heat"), True, 0.2)


def test_the_safe_time_halves_every_3_db():
    # NIOSH 98-126: 480 minutes at 85 dB, so 15 minutes at 100 dB, 7.5 at 103
    system = one()
    told = [
        said(caution_proposals(system, tuned(system), rows), "one channel alone")
        for rows in ((level(100.0),), (level(100.0), level(100.0, "R")))
    ]
    assert told[0] == []
    assert "all together about 103 dB" in told[1][0].change
    assert "8 minutes" in told[1][0].evidence or "7 minutes" in told[1][0].evidence


def test_the_loudness_names_what_ends_it_and_how_sure_it_is():
    proposal = loudness_proposals((level(100.0),))[0]
    assert proposal.uncertainty_db == 0.2
    assert "from 63 to 1000 Hz by a: heat" in proposal.evidence


def test_unused_range_is_told_as_gain_to_take_off_the_amplifier():
    system = one()
    found = said(caution_proposals(system, tuned(system, gain_db=-25.0), ()), "turn the amplifier")
    assert "driver by 25 dB" in found[0].change
    assert not said(caution_proposals(system, tuned(system, gain_db=-10.0), ()), "turn the")


def test_gains_that_lift_the_source_are_told_over_the_whole_way():
    system = one()
    lifted = tuned(system, gain_db=9.0)
    assert said(caution_proposals(system, lifted, ()), "+9.0 dB")
    quiet = tuple(ChannelSetting(c.name, gain_db=-9.0) for c in system.channels)
    level_again = Tuning(48000, quiet, lifted.routes, lifted.outputs)
    assert not said(caution_proposals(system, level_again, ()), "lift the noise")


def test_a_delay_at_the_end_of_its_range_is_told():
    system = one()
    tuning = tuned(system)
    (output,) = tuning.outputs
    for delay_ms, count in ((39.0, 0), (40.0, 1)):
        late = replace(tuning, outputs=(replace(output, delay_ms=delay_ms),))
        told = [p for p in caution_proposals(system, late, ()) if "40 ms" in p.evidence]
        assert len(told) == count


def test_a_gain_at_the_end_of_its_range_is_told():
    system = one()
    found = said(caution_proposals(system, tuned(system, gain_db=12.0), ()), "gain for it up")
    assert "+12 dB" in found[0].evidence


def test_hiss_is_foreseen_from_sensitivity_and_voltage():
    # 105 dB at 2.83 V behind 40 V: 128 dB at full scale, 23 dB of hiss
    loud = one("tweeter", full_scale_v=40.0, data=DriverData(sensitivity_db=105.0))
    assert "about 23 dB" in said(caution_proposals(loud, tuned(loud), ()), "hiss")[0].evidence
    calm = one("tweeter", full_scale_v=20.0, data=DriverData(sensitivity_db=91.0))
    assert not said(caution_proposals(calm, tuned(calm), ()), "hiss at rest")


def test_a_tweeter_crossed_over_near_its_resonance_is_told():
    system = one("tweeter", data=DriverData(resonance_hz=800.0))
    low = Filter("high pass", 1200.0, family="Linkwitz-Riley", order=4)
    assert said(caution_proposals(system, tuned(system, filters=(low,)), ()), "moderate")
