"""Where phases do not count, magnitudes alone give the same as the whole responses."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.equaliser import without
from roomtune.advisor.objective import Goal, Problem, Rows, cost_of, costs_without, residuals
from roomtune.advisor.sections import SectionBank, section_magnitudes, section_responses
from roomtune.advisor.state import Free, Section, neutral, packed

FREQUENCIES = np.geomspace(20, 20000, 60)
KINDS = ("peaking", "low shelf", "high shelf", "all pass", "peaking")


def test_magnitudes_and_slopes_are_those_of_the_responses():
    random = np.random.default_rng(3)
    bank = SectionBank(
        KINDS,
        random.uniform(np.log(30), np.log(15000), 5),
        random.uniform(np.log(0.5), np.log(8), 5),
        random.uniform(-12, 12, 5),
    )
    whole, slopes = section_responses(bank, FREQUENCIES, 48000.0)
    size, alone = section_magnitudes(bank, FREQUENCIES, 48000.0)
    np.testing.assert_allclose(size, np.abs(whole), rtol=1e-12)
    np.testing.assert_allclose(alone, slopes.real, atol=1e-11)
    np.testing.assert_array_equal(section_magnitudes(bank, FREQUENCIES, 48000.0, False)[0], size)


@pytest.fixture
def problem():
    """Two channels, each from one output, both to fall by 3 dB per decade."""
    random = np.random.default_rng(8)
    base = random.uniform(0.5, 2, (2, 60)) * np.exp(2j * np.pi * random.uniform(0, 1, (2, 60)))
    model = EnergyModel(
        ("a", "b"),
        ("a", "b"),
        ("seat",),
        FREQUENCIES,
        np.stack([FREQUENCIES, FREQUENCIES], -1),
        (np.array([0]), np.array([1])),
        (np.ones((1, 1, 1, 60), dtype=complex),) * 2,
        np.zeros((2, 1, 60)),
    )
    wanted = -3 * np.log10(FREQUENCIES / 1000)[None]
    rows = Rows(np.ones((1, 1)), np.eye(60))
    goals = tuple(Goal(channel, rows, wanted, np.full((1, 60), 0.1)) for channel in (0, 1))
    return Problem(model, (base[:1], base[1:]), 48000.0, goals, boost_limit_db=2.0)


@pytest.fixture
def state():
    low, high = (3.0, -1.0, -15.0), (9.8, 2.5, 12.0)
    values = ((4.5, 0.5, -6.0), (7.0, 1.0, 5.0), (8.0, 0.1, 3.0))
    outputs = ((0,), (1,), (0, 1))
    sections = (Section("peaking", o, v, low, high) for o, v in zip(outputs, values, strict=True))
    return replace(neutral(2), sections=tuple(sections))


def test_a_fit_without_phases_sees_what_one_with_them_sees(problem, state):
    assert not problem.phases
    free = Free(gains=((0,), (1,)), sections=(0, 1, 2))
    start = packed(state, free)[0]
    alone = residuals(problem, state, free, start)
    problem.__dict__["phases"] = True  # the cached property
    whole = residuals(problem, state, free, start)
    for one, other in zip(alone, whole, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-10)


def test_costs_without_a_section_are_those_of_the_state_without_it(problem, state):
    found = costs_without(problem, state, [2, 0, 1])
    expected = [cost_of(problem, without(state, place)) for place in (2, 0, 1)]
    np.testing.assert_allclose(found, expected, rtol=1e-12)
