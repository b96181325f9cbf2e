"""Levels and derivatives of sections against exact arithmetic and the filters themselves."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.processor.filters import filter_response
from roomtune.processor.gradient import (
    magnitude_db,
    sections_level_and_gradient,
    sections_level_db,
)
from roomtune.processor.tuning import Filter

ADJUSTABLE = ("peaking", "low shelf", "high shelf")
OTHERS = ("low pass", "high pass", "all pass", "notch")
quick = settings(derandomize=True, deadline=None, max_examples=60)


def exact_level_db(kind, frequency, q, gain, at, rate):
    """The cookbook's own formulas (coefficients, then the transfer function), many digits."""
    m = mpmath
    w0, w = 2 * m.pi * frequency / rate, 2 * m.pi * at / rate
    a, alpha = m.mpf(10) ** (gain / 40), m.sin(w0) / (2 * q)
    c, root = m.cos(w0), 2 * m.sqrt(m.mpf(10) ** (gain / 40)) * m.sin(w0) / (2 * q)
    if kind == "peaking":
        b = (1 + alpha * a, -2 * c, 1 - alpha * a)
        d = (1 + alpha / a, -2 * c, 1 - alpha / a)
    else:
        s = 1 if kind == "low shelf" else -1
        b = (
            a * ((a + 1) - s * (a - 1) * c + root),
            s * 2 * a * ((a - 1) - s * (a + 1) * c),
            a * ((a + 1) - s * (a - 1) * c - root),
        )
        d = (
            (a + 1) + s * (a - 1) * c + root,
            -s * 2 * ((a - 1) + s * (a + 1) * c),
            (a + 1) + s * (a - 1) * c - root,
        )
    z = m.expj(-w)
    return 20 * m.log10(abs(b[0] + z * (b[1] + z * b[2])) / abs(d[0] + z * (d[1] + z * d[2])))


@pytest.mark.parametrize("kind", ADJUSTABLE)
@pytest.mark.parametrize("rate", [48000.0, 192000.0])
@pytest.mark.parametrize(("frequency", "q", "gain"), [(20.0, 8.0, -9.0), (4000.0, 0.5, 6.0)])
def test_level_and_gradient_are_exact(kind, rate, frequency, q, gain):
    points = [1.0, 10.0, 19.0, 20.0, 21.0, 55.0, 3900.0, 20000.0]
    level, slopes = sections_level_and_gradient([kind], [(frequency, q, gain)], points, rate)
    with mpmath.workdps(40):
        for place, at in enumerate(points):
            values = [mpmath.mpf(v) for v in (frequency, q, gain)]
            wanted = exact_level_db(kind, *values, mpmath.mpf(at), mpmath.mpf(rate))
            assert level[0, place] == pytest.approx(float(wanted), rel=1e-12, abs=1e-13)
            for number in range(3):
                slope = mpmath.diff(
                    lambda v, n=number, x=at, base=tuple(values): exact_level_db(
                        kind, *base[:n], v, *base[n + 1 :], mpmath.mpf(x), mpmath.mpf(rate)
                    ),
                    values[number],
                )
                found = slopes[0, number, place]
                assert found == pytest.approx(float(slope), rel=1e-10, abs=1e-13)


@quick
@given(
    st.sampled_from(ADJUSTABLE + OTHERS),
    st.floats(12, 20000),
    st.floats(0.2, 20),
    st.floats(-20, 20),
)
def test_level_is_that_of_the_filter(kind, frequency, q, gain):
    grid = np.geomspace(10, 23000, 60)
    item = Filter(kind, frequency, q, gain if kind in ADJUSTABLE else None)
    found = sections_level_db([kind], [(frequency, q, gain)], grid, 48000)[0]
    level = 20 * np.log10(np.abs(filter_response(item, 48000, grid)) + 1e-300)
    np.testing.assert_allclose(found[level > -80], level[level > -80], atol=2e-6)


@quick
@given(
    st.sampled_from(ADJUSTABLE + OTHERS),
    st.floats(12, 15000),
    st.floats(0.2, 20),
    st.floats(-20, 20),
)
def test_gradient_equals_finite_differences(kind, frequency, q, gain):
    # Off the frequency itself, where a notch has its pole of the logarithm.
    grid = frequency * np.array([0.31, 0.83, 1.21, 1.55])
    values = np.array([frequency, q, gain])
    _, slopes = sections_level_and_gradient([kind], values[None], grid, 48000)
    for number, step in enumerate((frequency * 1e-4, q * 1e-4, 1e-3)):
        ends = []
        for side in (-1, 1):
            moved = values.copy()
            moved[number] += side * step
            ends.append(sections_level_db([kind], moved[None], grid, 48000)[0])
        wanted = (ends[1] - ends[0]) / (2 * step)
        scale = np.abs(wanted).max() + 1e-9 / step
        np.testing.assert_allclose(slopes[0, number], wanted, atol=2e-5 * scale + 1e-9)


def test_many_sections_at_once_are_the_same_as_one_by_one():
    rng = np.random.default_rng(5)
    types = [("peaking", "low shelf", "high shelf")[k] for k in rng.integers(0, 3, 12)]
    values = np.stack(
        [rng.uniform(20, 9000, 12), rng.uniform(0.4, 9, 12), rng.uniform(-9, 9, 12)], axis=1
    )
    grid = np.geomspace(20, 20000, 200)
    level, slopes = sections_level_and_gradient(types, values, grid, 48000)
    assert level.shape == (12, 200)
    assert slopes.shape == (12, 3, 200)
    np.testing.assert_array_equal(level, sections_level_db(types, values, grid, 48000))
    for n, kind in enumerate(types):
        one, slope = sections_level_and_gradient([kind], values[n : n + 1], grid, 48000)
        np.testing.assert_array_equal(level[n], one[0])
        np.testing.assert_array_equal(slopes[n], slope[0])
    filters = [Filter(t, *v) for t, v in zip(types, values.tolist(), strict=True)]
    np.testing.assert_allclose(magnitude_db(filters, grid, 48000), level.sum(axis=0), atol=1e-13)


def test_no_sections_and_wrong_shapes():
    assert magnitude_db([], [100.0, 200.0], 48000).tolist() == [0, 0]
    with pytest.raises(ValueError, match="expected"):
        sections_level_db(["peaking"], [(100.0, 1.0)], [50.0], 48000)
    with pytest.raises(ValueError, match="prototype"):
        sections_level_db(["wavy"], [(100.0, 1.0, 1.0)], [50.0], 48000)


def test_a_shifted_filter_has_a_usable_gradient_at_20_hz():
    """The trap: written with cos w the level's noise hides steps of 1e-8 near 20 Hz."""
    base = np.array([[20.0, 4.0, -6.0]])
    at = [20.5]
    level, slopes = sections_level_and_gradient(["peaking"], base, at, 192000)
    moved = sections_level_db(["peaking"], base + np.array([[1e-8, 0, 0]]), at, 192000)
    assert (moved - level)[0, 0] == pytest.approx(slopes[0, 0, 0] * 1e-8, rel=1e-5)
