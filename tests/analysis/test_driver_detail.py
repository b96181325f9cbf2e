"""A coil's pole and shelves beside a driver's ends."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.driver_detail import COIL, SHELVES, detailed_driver, plain
from roomtune.analysis.driver_fit import driver_log_response

FREQUENCIES = np.geomspace(20, 20e3, 40)
BAND = (50.0, 8000.0)
ENDS = np.array([0.3, 1e-4, np.log(60), np.log(0.8), 2.0, np.log(7000), np.log(0.6), 4.0])
S = 2j * np.pi * FREQUENCIES
NONE_FREE = np.array([], dtype=int)


def response(parameters):
    return np.exp(detailed_driver(FREQUENCIES, BAND).log_model(parameters, NONE_FREE)[0])


def test_nothing_besides_is_the_plain_driver():
    assert response(plain(ENDS)) == pytest.approx(np.exp(driver_log_response(ENDS, S)))


def test_a_coil_is_one_real_pole():
    parameters = plain(ENDS)
    parameters[COIL] = np.log(1500)
    expected = np.exp(driver_log_response(ENDS, S)) / (1 + S / (2 * np.pi * 1500))
    assert response(parameters) == pytest.approx(expected)


def test_all_shelves_alike_are_one_from_end_to_end():
    parameters = plain(ENDS)
    parameters[list(SHELVES)] = 0.5
    low, high = 2 * np.pi * np.array(BAND)
    step = np.sqrt((1 + S / high) / (1 + S / low))
    assert response(parameters) == pytest.approx(np.exp(driver_log_response(ENDS, S)) * step)


def test_slopes_are_those_of_small_differences():
    parameters = plain(ENDS)
    parameters[COIL] = np.log(1500)
    parameters[list(SHELVES)] = [0.1, -0.2, 0.3, 0.0, 0.2]
    driver, free = detailed_driver(FREQUENCIES, BAND), np.arange(len(parameters))
    slopes = driver.log_model(parameters, free)[1]
    for place in free:
        step = np.zeros(len(parameters))
        step[place] = 1e-6
        ahead, behind = (driver.log_model(parameters + d, free)[0] for d in (step, -step))
        assert slopes[place] == pytest.approx((ahead - behind) / 2e-6, rel=1e-5, abs=1e-7)
