"""What a crossover asks of its drivers, against closed forms."""

import numpy as np
import pytest

from roomtune.advisor.burdens import burden, off_axis_loss_db, programme_dbfs
from roomtune.system.model import DriverData, Output, Playback


def driver(kind, **more):
    return Output(
        name=kind,
        number=1,
        loudspeaker="one",
        driver=kind,
        playback=Playback(interface_output=1),
        safe_band_hz=(20.0, 20e3),
        **more,
    )


def test_a_small_piston_beams_as_the_series_of_j1_says():
    # 2 J1(x) / x = 1 - x^2 / 8 + x^4 / 192 - x^6 / 9216 ...
    for ka in (0.3, 1.0, 2.0):
        x = ka / np.sqrt(2)
        series = 1 - x**2 / 8 + x**4 / 192 - x**6 / 9216
        assert off_axis_loss_db(ka) == pytest.approx(-20 * np.log10(series), abs=2e-3)


def test_beaming_only_grows_and_is_bounded():
    losses = [off_axis_loss_db(ka) for ka in np.linspace(0.01, 30, 400)]
    assert np.all(np.diff(losses) >= 0)
    assert losses[-1] == 12.0


def test_a_large_driver_beams_above_ka_2():
    # k a = 2 of a piston of 10 cm radius: 2 c / (2 pi 0.1 m) = 1092 Hz
    large = driver("woofer", data=DriverData(piston_area_cm2=100 * np.pi))
    tweeter = driver("tweeter")
    assert burden(large, tweeter, 1090.0, 0.0).beaming_db == 0.0
    assert burden(large, tweeter, 1100.0, 0.0).beaming_db > 0.0
    lost = [burden(large, tweeter, f, 0.0).beaming_db for f in (1500.0, 2000.0, 3000.0)]
    assert lost == sorted(lost)
    counted = [burden(large, tweeter, f, 0.0).cost_db for f in (1000.0, 1500.0, 2000.0, 3000.0)]
    assert counted[0] == 0.0
    assert np.all(np.diff(counted) > 0)
    assert "beams" in str(burden(large, tweeter, 2000.0, 0.0))
    assert burden(driver("woofer"), tweeter, 3000.0, 0.0).beaming_db == 0.0


def test_a_pink_programme_brings_half_its_power_to_the_upper_half_of_its_octaves():
    middle = np.sqrt(20.0 * 20e3)
    assert programme_dbfs(20.0) == pytest.approx(3.0103 - 12.0)
    assert programme_dbfs(middle) == pytest.approx(3.0103 - 12.0 - 3.0103, abs=1e-3)


def test_a_tweeter_of_little_power_asks_for_a_high_crossover():
    data = DriverData(thermal_power_w=5.0, nominal_impedance_ohm=8.0)
    tweeter = driver("tweeter", full_scale_v=40.0, data=data)
    asked = [burden(driver("woofer"), tweeter, f, 0.0).heat_db for f in (1500.0, 3000.0)]
    # 40 V over 8 ohm are 200 W: 5 W are -16.0 dB
    assert asked[0] == pytest.approx(programme_dbfs(1500.0) + 16.02, abs=0.01)
    assert asked[0] > asked[1] > 0
    assert burden(driver("woofer"), tweeter, 1500.0, 0.0).cost_db > 0
    quiet = burden(driver("woofer"), tweeter, 1500.0, -6.0)
    assert quiet.heat_db == pytest.approx(max(asked[0] - 6, 0.0))
    assert "heat" in str(burden(driver("woofer"), tweeter, 1500.0, 0.0))


def test_stroke_grows_fourfold_for_half_the_frequency():
    data = DriverData(piston_area_cm2=6.0, peak_excursion_mm=0.1, sensitivity_db=92.0)
    tweeter = driver("tweeter", full_scale_v=40.0, data=data)
    asked = [burden(driver("woofer"), tweeter, f, 0.0).stroke_db for f in (500.0, 1000.0)]
    assert asked[0] - asked[1] == pytest.approx(12.04, abs=0.01)
