import numpy as np
import pytest

from roomtune.advisor.refusals import _deepest, refusal_proposals
from roomtune.advisor.starting import starting_tuning


def test_a_narrow_dip_is_named_with_its_depth_and_seats():
    centres = 25.0 * 2 ** (np.arange(60) / 12)
    level = np.zeros(60)
    level[30:33] = (-6.0, -9.0, -6.0)
    seats = np.array([level, 0 * level])
    (dip,) = _deepest(centres, level, seats)
    assert dip.frequency_hz == pytest.approx(25 * 2 ** (31 / 12))
    assert dip.depth_db == pytest.approx(9.0)
    assert dip.seats == 1
    assert _deepest(centres, np.zeros(60), seats * 0) == ()


def test_a_slope_is_no_dip():
    centres = 25.0 * 2 ** (np.arange(60) / 12)
    slope = -0.5 * np.arange(60.0)
    assert _deepest(centres, slope, slope[None]) == ()


def test_a_cancellation_between_direct_sound_and_echo_is_told(workshop):
    from dataclasses import replace

    from roomtune.advisor.aims import Aims
    from roomtune.advisor.energy import energy_model

    # A single echo of 0.9 after 2.5 ms cancels at 200 Hz (half a turn), at every seat.
    system = workshop.system()
    drivers = {n: replace(d, echoes=((2.5, 0.9),)) for n, d in workshop.drivers().items()}
    measured = workshop.measured(system, drivers)
    tuning = starting_tuning(system)
    aims = Aims(system, measured, energy_model(measured, tuning))
    proposals = {p.subject: p for p in refusal_proposals(aims, tuning)}
    assert set(proposals) == {"L", "R"}
    assert any("at 20" in text and "2 of 2" in text for text in proposals["L"].refused)
