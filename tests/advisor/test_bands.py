from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.bands import band_proposals, usable_bands
from roomtune.advisor.clean_levels import CleanLevels
from roomtune.advisor.energy import energy_model
from roomtune.advisor.starting import starting_tuning


def aims_of(workshop, system=None, clean=None):
    system = system or workshop.system()
    measured = replace(workshop.measured(workshop.system(), workshop.drivers()), clean=clean)
    return Aims(system, measured, energy_model(measured, starting_tuning(system)))


def band(aims, name):
    return next(b for b in usable_bands(aims) if b.output == name)


def test_a_band_ends_where_the_driver_falls_off(workshop):
    # A second-order Butterworth high pass at 55 Hz is 10 dB down at 0.58 of that: 32 Hz
    aims = aims_of(workshop)
    assert band(aims, "left low").low_hz == pytest.approx(40, rel=0.1)
    assert band(aims, "left high").low_hz == pytest.approx(900, rel=0.1)


def test_a_band_ends_where_the_driver_distorts(workshop):
    frequencies = np.array([1000.0, 1258.9, 1584.9, 1995.3, 2511.9])
    level = np.full((6, 5), np.inf)
    level[1, :3] = -40.0
    aims = aims_of(workshop, clean=CleanLevels(frequencies, level))
    found = band(aims, "left high")
    assert 1500 < found.low_hz < 1900
    assert found.distorted_hz == pytest.approx((1000, 1258.9, 1584.9), rel=0.01)
    told = next(p for p in band_proposals((found,)) if p.subject == "left high")
    assert any("distorts" in text for text in told.refused)
    assert band(aims, "right high").low_hz < 1000


def test_a_safe_band_made_narrower_since_counts(workshop):
    system = workshop.system()
    outputs = tuple(
        o.model_copy(update={"safe_band_hz": (2000.0, 20000.0)}) if o.name == "left high" else o
        for o in system.outputs
    )
    aims = aims_of(workshop, system.model_copy(update={"outputs": outputs}))
    assert band(aims, "left high").low_hz >= 2000


def test_a_band_says_up_to_what_level(workshop):
    frequencies = np.array([1000.0, 1995.3, 3981.1])
    level = np.full((6, 3), np.inf)
    level[1, 2] = -15.5
    aims = aims_of(workshop, clean=CleanLevels(frequencies, level))
    found = band(aims, "left high")
    assert (found.most_dbfs, found.most_by) == (-15.5, "distortion")
    assert "up to -15.5 dBFS (by distortion)" in band_proposals((found,))[0].change
    assert band(aims, "right high").most_by == "stated level"
    assert band(aims, "right high").most_dbfs == -12.0
