import numpy as np
import pytest

from roomtune.advisor.driver_limits import driver_limit
from roomtune.advisor.full_scale import full_scale_peaks_dbfs
from roomtune.advisor.limits import (
    headrooms,
    limit_grid_hz,
    limited,
    reached_dbfs,
    within_headroom,
)
from roomtune.advisor.maximum_level import maximum_levels
from roomtune.advisor.prediction import Prediction
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.rendering import render
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.signal.values import FrequencyResponse
from roomtune.system.model import (
    Channel,
    Enclosure,
    Loudspeaker,
    Output,
    Processor,
    Range,
    Seat,
    System,
)


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


def data_output(**changes):
    """A subwoofer with everything known about it."""
    values = {
        "name": "sub",
        "number": 1,
        "loudspeaker": "sub",
        "driver": "subwoofer",
        "playback": {"interface_output": 1},
        "safe_band_hz": (18.0, 300.0),
        "maximum_level_dbfs": 0.0,
        "full_scale_v": 40.0,
        "data": {
            "piston_area_cm2": 480.0,
            "peak_excursion_mm": 12.0,
            "sensitivity_db": 88.0,
            "thermal_power_w": 100.0,
            "nominal_impedance_ohm": 8.0,
        },
    }
    return Output.model_validate(values | changes)


def test_stroke_limits_as_the_worked_value_says():
    # 480 cm2, 12 mm, half space: 102.81 dB at 30 Hz, 1 m (reference notes, section 7, derived)
    limit = driver_limit(data_output(), np.array([30.0, 200.0]))
    full_scale_db = 88.0 + 20 * np.log10(40 / np.sqrt(8))
    assert limit.level_dbfs[0] == pytest.approx(102.81 - full_scale_db, abs=0.01)
    assert limit.causes == ("excursion", "thermal power")


def test_heat_limits_by_voltage_and_impedance():
    # 100 W in 8 ohm are 28.28 V rms, 3.01 dB under 40 V
    limit = driver_limit(data_output(), np.array([200.0]))
    assert limit.thermal_dbfs == pytest.approx(-3.01, abs=0.01)
    assert limit.peak_dbfs == pytest.approx(0.0, abs=0.01)


def test_a_box_holds_the_cone_below_its_resonance():
    # Small 1972: far below resonance the displacement of a sealed box is that at rest, x0,
    # so the limit no longer falls with frequency
    box = {"kind": "sealed", "volume_l": 60.0}
    small = {"resonance_hz": 22.0, "total_q": 0.4, "equivalent_volume_l": 120.0}
    output = data_output()
    data = output.data.model_copy(update=small)
    boxed = output.model_copy(update={"data": data, "enclosure": Enclosure(**box)})
    frequencies = np.array([2.0, 4.0])
    free, held = (driver_limit(o, frequencies).level_dbfs for o in (output, boxed))
    assert free[1] - free[0] == pytest.approx(12.04, abs=0.01)
    assert held[1] - held[0] == pytest.approx(0.0, abs=0.2)


def test_what_is_not_known_is_named():
    bare = driver_limit(data_output(data={}, full_scale_v=None), np.array([50.0]))
    assert bare.causes == ("digital full scale",)
    assert set(bare.unknown) >= {"full_scale_v", "piston_area_cm2", "thermal_power_w"}


def one_output_system(output, **processor):
    return System(
        name="one",
        channels=(Channel(name="C"),),
        loudspeakers=(Loudspeaker(name="sub", channel="C"),),
        outputs=(output,),
        seats=(Seat(name="seat", main=True),),
        processor=Processor(**processor),
    )


def test_no_sine_moves_the_cone_too_far_through_the_limiter():
    system = one_output_system(data_output())
    tuning = limited(system, starting_tuning(system))
    times = np.arange(24000) / 48000
    for frequency in (12.0, 20.0, 30.0, 60.0, 120.0):
        programme = np.sin(2 * np.pi * frequency * times)[:, None]
        peak = np.abs(render(tuning, programme, limiters=True)).max()
        limit = driver_limit(system.outputs[0], np.array([frequency])).level_dbfs[0]
        assert 20 * np.log10(peak) <= limit + 0.05


def test_a_limiter_is_no_lower_than_it_must_be():
    system = one_output_system(data_output())
    tuning = limited(system, starting_tuning(system))
    grid = limit_grid_hz(tuning)
    limit, reached = driver_limit(system.outputs[0], grid), reached_dbfs(tuning, grid)["sub"]
    threshold = tuning.outputs[0].limiter.threshold_dbfs
    assert any(reached > limit.level_dbfs)
    allowed = limit.level_dbfs[reached > limit.level_dbfs].min()
    assert threshold <= allowed < threshold + 0.1  # to be typed: tenths of a dB, downwards
    assert threshold == round(threshold, 1)


def test_a_limiter_is_set_on_the_processors_steps_downwards():
    knob = Range(minimum=-40, maximum=0, step=0.5)
    system = one_output_system(
        data_output(maximum_level_dbfs=-7.3, data={}),
        limiter_threshold_dbfs=knob,
        limiter_release_ms=Range(minimum=10, maximum=200, step=10),
    )
    limiter = limited(system, starting_tuning(system)).outputs[0].limiter
    assert limiter.threshold_dbfs == -7.5
    assert limiter.release_ms == 200.0


def test_the_full_scale_programme_reaches_the_worst_case_and_no_limit_gives(workshop):
    system = workshop.system()
    free = starting_tuning(system.model_copy(update={"processor": Processor(limiters=False)}))
    worst = {item.output: item.worst_dbfs for item in headrooms(free)}
    for name, peak in full_scale_peaks_dbfs(free).items():
        assert worst[name] - 0.3 < peak <= worst[name] + 1e-6
    held = limited(system, free)
    for name, peak in full_scale_peaks_dbfs(held).items():
        assert peak <= system.output(name).maximum_level_dbfs + 1e-9


def test_the_maximum_level_is_what_the_first_limit_leaves():
    system = one_output_system(data_output(maximum_level_dbfs=-6.0, data={}))
    frequencies = np.fft.rfftfreq(1 << 16, 1 / 48000)
    flat = np.ones((1, 1, len(frequencies)), dtype=complex)
    tuning = Tuning(48000, (ChannelSetting("C"),), (Route("C", "sub"),), (OutputSetting("sub", 1),))
    response = FrequencyResponse(frequencies, flat)
    prediction = Prediction(("C",), ("seat",), response, np.zeros(flat.shape), 48000.0)
    found = maximum_levels(system, tuning, prediction, unity_pa=1.0)[0]
    # A sine of 1 Pa peak is 93.98 - 3.01 dB; the output may get 6 dB less than full scale
    assert found.level_db[10] == pytest.approx(93.98 - 3.01 - 6.0, abs=0.01)
    assert found.limited_by[10] == "sub: stated level"
