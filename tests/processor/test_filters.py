"""Filters against the cookbook's published designs, exact arithmetic and their own laws."""

from __future__ import annotations

import csv
import math
import re

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.processor.filters import (
    check_filter,
    filter_response,
    filter_sections,
    is_stable,
    taps_response,
)
from roomtune.processor.quality import bandwidth_octaves
from roomtune.processor.tuning import Filter

TYPES = {
    "peaking": "peaking",
    "lowshelf": "low shelf",
    "highshelf": "high shelf",
    "lowpass": "low pass",
    "highpass": "high pass",
    "allpass": "all pass",
    "notch": "notch",
}
WITH_GAIN = ("peaking", "low shelf", "high shelf")
quick = settings(derandomize=True, deadline=None, max_examples=150)
frequencies = st.floats(10, 20000)
qualities = st.floats(0.1, 40)
gains = st.floats(-24, 24)


def table(folder, name):
    with (folder / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def q_of_bandwidth(octaves, frequency, rate):
    """Q of the cookbook's BW."""
    w = 2 * math.pi * frequency / rate
    return 1 / (2 * math.sinh(math.log(2) / 2 * octaves * w / math.sin(w)))


def q_of_slope(slope, gain):
    """Q of the cookbook's S."""
    a = 10 ** (gain / 40)
    return 1 / math.sqrt((a + 1 / a) * (1 / slope - 1) + 2)


def designs(folder):
    """Rows of the oracle (W3C Audio EQ Cookbook, 50-digit arithmetic) with our filters."""
    for row in table(folder, "eq_cookbook_oracle.csv"):
        if row["type"] not in TYPES:
            continue
        rate, frequency = float(row["fs_Hz"]), float(row["f0_Hz"])
        gain = float(row["gain_dB"]) if row["gain_dB"] else None
        if row["Q"]:
            q = float(row["Q"])
        elif row["S"]:
            q = q_of_slope(float(row["S"]), gain)
        else:
            q = q_of_bandwidth(float(row["BW_oct"]), frequency, rate)
        yield row, rate, Filter(TYPES[row["type"]], frequency, q, gain)


def test_coefficients_equal_the_cookbook_to_1e_12(reference_folder):
    names = ("b0", "b1", "b2", "a1", "a2")
    seen = 0
    for row, rate, item in designs(reference_folder):
        found = filter_sections(item, rate)[0, [0, 1, 2, 4, 5]]
        wanted = [float(row[name]) for name in names]
        # Relative, so that the tiny b of low passes count too.
        np.testing.assert_allclose(found, wanted, rtol=1e-12, atol=1e-18, err_msg=row["id"])
        seen += 1
    assert seen >= 29


def test_responses_equal_the_table(reference_folder):
    rows = table(reference_folder, "eq_cookbook_response.csv")
    seen = 0
    for design, rate, item in designs(reference_folder):
        mine = [r for r in rows if r["id"] == design["id"]]
        found = filter_response(item, rate, [float(r["frequency_Hz"]) for r in mine])
        for value, row in zip(found, mine, strict=True):
            if float(row["magnitude_dB"]) < -200:
                assert 20 * np.log10(abs(value) + 1e-300) < -200
                continue
            level = 20 * np.log10(abs(value))
            # The held coefficients are rounded to double precision; that bounds the rest.
            assert level == pytest.approx(float(row["magnitude_dB"]), abs=3e-8), row
            turn = np.exp(1j * np.angle(value)) - np.exp(1j * np.radians(float(row["phase_deg"])))
            assert abs(turn) < 1e-8, row
            seen += 1
    assert seen > 200


def exact_response(sections, rate, frequency):
    """The held coefficients in 50-digit arithmetic."""
    with mpmath.workdps(50):
        z = mpmath.expj(-2 * mpmath.pi * mpmath.mpf(frequency) / mpmath.mpf(rate))
        total = mpmath.mpc(1)
        for b0, b1, b2, a0, a1, a2 in sections.tolist():
            c = [mpmath.mpf(v) for v in (b0, b1, b2, a0, a1, a2)]
            total *= (c[0] + z * (c[1] + z * c[2])) / (c[3] + z * (c[4] + z * c[5]))
        return complex(total)


@pytest.mark.parametrize("kind", list(TYPES.values()))
@pytest.mark.parametrize("rate", [48000.0, 192000.0])
def test_the_response_of_the_held_coefficients_is_exact_at_low_frequencies(kind, rate):
    item = Filter(kind, 20.0, 8.0, -9.0 if kind in WITH_GAIN else None)
    points = [1.0, 5.0, 17.0, 19.7, 23.0, 400.0, 20000.0]
    found = filter_response(item, rate, points)
    for value, frequency in zip(found, points, strict=True):
        wanted = exact_response(filter_sections(item, rate), rate, frequency)
        assert abs(value - wanted) <= 1e-12 * abs(wanted)


@quick
@given(frequencies, qualities, gains)
def test_peaking_has_its_gain_at_its_frequency_and_none_at_the_ends(frequency, q, gain):
    found = filter_response(Filter("peaking", frequency, q, gain), 48000, [0, frequency, 24000])
    level = 20 * np.log10(np.abs(found))
    np.testing.assert_allclose(level, [0, gain, 0], atol=2e-6)


@quick
@given(frequencies, qualities, gains, st.sampled_from(["low shelf", "high shelf"]))
def test_shelves_have_half_their_gain_at_their_frequency(frequency, q, gain, kind):
    found = filter_response(Filter(kind, frequency, q, gain), 48000, [0, frequency, 24000])
    level = 20 * np.log10(np.abs(found))
    ends = [gain, gain / 2, 0] if kind == "low shelf" else [0, gain / 2, gain]
    np.testing.assert_allclose(level, ends, atol=2e-6)


@quick
@given(frequencies, qualities, gains)
def test_boost_and_cut_of_the_same_size_cancel(frequency, q, gain):
    grid = np.geomspace(10, 23000, 40)
    boost = filter_response(Filter("peaking", frequency, q, gain), 48000, grid)
    cut = filter_response(Filter("peaking", frequency, q, -gain), 48000, grid)
    np.testing.assert_allclose(boost * cut, 1, atol=1e-6)


@quick
@given(frequencies, qualities)
def test_all_pass_passes_all_and_turns_by_180_degrees(frequency, q):
    found = filter_response(Filter("all pass", frequency, q), 48000, [30, frequency, 9000])
    np.testing.assert_allclose(np.abs(found), 1, atol=1e-9)
    assert found[1] == pytest.approx(-1, abs=1e-6)


@quick
@given(frequencies, qualities)
def test_low_and_high_pass_have_their_q_at_their_frequency(frequency, q):
    for kind in ("low pass", "high pass"):
        found = filter_response(Filter(kind, frequency, q), 48000, [frequency])
        assert abs(found[0]) == pytest.approx(q, rel=1e-6)


@quick
@given(frequencies, qualities, gains)
def test_all_filters_are_stable_and_minimum_phase_where_they_should_be(frequency, q, gain):
    for kind in WITH_GAIN:
        rows = filter_sections(Filter(kind, frequency, q, gain), 48000)
        assert is_stable(rows)
        swapped = rows[:, [3, 4, 5, 0, 1, 2]] / rows[:, :1]
        assert is_stable(swapped)


@quick
@given(frequencies, qualities)
def test_a_bandwidth_means_its_q(frequency, q):
    octaves = bandwidth_octaves(q, frequency, 48000)
    assert octaves > 0
    assert q_of_bandwidth(octaves, frequency, 48000) == pytest.approx(q, rel=1e-9)


def test_half_gain_edges_of_a_bandwidth():
    # Cookbook: edges obey cos w - cos w0 = +- alpha sin w, half the gain in dB.
    octaves, frequency, rate = 0.5, 80.0, 48000.0
    q = q_of_bandwidth(octaves, frequency, rate)
    alpha = math.sin(2 * math.pi * frequency / rate) / (2 * q)
    for sign in (-1, 1):
        edge = _edge(frequency, rate, sign * alpha)
        level = 20 * np.log10(
            abs(filter_response(Filter("peaking", frequency, q, -6.0), rate, [edge]))
        )
        assert level[0] == pytest.approx(-3, abs=1e-6)


def _edge(frequency, rate, alpha):
    low, high = frequency / 2, frequency * 2
    own = math.cos(2 * math.pi * frequency / rate)

    def side(f):
        w = 2 * math.pi * f / rate
        return math.cos(w) - own - alpha * math.sin(w)

    for _ in range(200):
        middle = (low + high) / 2
        if side(middle) > 0:
            low = middle
        else:
            high = middle
    return low


def test_fir_response_equals_the_sum():
    rng = np.random.default_rng(3)
    taps = rng.normal(size=1000)
    points = np.array([0.0, 31.5, 999.0, 23999.0, 24000.0])
    wanted = [np.sum(taps * np.exp(-2j * np.pi * f * np.arange(1000) / 48000)) for f in points]
    np.testing.assert_allclose(taps_response(taps, points, 48000.0), wanted, atol=1e-11)
    held = filter_response(Filter("fir", taps=tuple(taps)), 48000, points)
    np.testing.assert_allclose(held, wanted, atol=1e-11)


def test_biquad_passes_through():
    item = Filter("biquad", b=(0.5, -0.2, 0.1), a=(1.0, -1.2, 0.5))
    assert filter_sections(item, 48000).tolist() == [[0.5, -0.2, 0.1, 1.0, -1.2, 0.5]]
    dc = filter_response(item, 48000, [0.0])[0]
    assert dc == pytest.approx(0.4 / 0.3, rel=1e-15)


@pytest.mark.parametrize(
    ("item", "text"),
    [
        (Filter("peeking", 100.0, 1.0, 1.0), "type: got 'peeking', expected one of peaking"),
        (Filter("peaking", 100.0, 1.0), "gain_db: is missing"),
        (Filter("peaking", 100.0, 1.0, 3.0, order=2), "order: does not belong"),
        (Filter("peaking", 24000.0, 1.0, 3.0), "frequency_hz: got 24000"),
        (Filter("peaking", -5.0, 1.0, 3.0), "frequency_hz: got -5"),
        (Filter("peaking", float("nan"), 1.0, 3.0), "frequency_hz: got nan"),
        (Filter("peaking", 100.0, 0.0, 3.0), "q: got 0"),
        (Filter("low shelf", 100.0, 1.0, float("inf")), "gain_db: got inf"),
        (Filter("low pass", 100.0, family="Linkwitz-Riley", order=3), "even order, got 3"),
        (Filter("low pass", 100.0, family="Butterworth", order=0), "order from 1 to 24, got 0"),
        (Filter("biquad", b=(1.0, 0.0, 0.0), a=(2.0, 0.0, 0.0)), "got a0 = 2"),
        (Filter("biquad", b=(1.0, 0.0, 0.0), a=(1.0, 0.0, 1.1)), "unstable"),
        (Filter("biquad", b=(1.0, 0.0), a=(1.0, 0.0, 0.1)), "three finite numbers"),
        (Filter("fir", taps=()), "at least one"),
    ],
)
def test_faults_are_named(item, text):
    with pytest.raises(ValueError, match=re.escape(text)):
        check_filter(item, 48000)


def test_frequencies_beyond_nyquist_are_refused():
    with pytest.raises(ValueError, match="half the sample rate"):
        filter_response(Filter("peaking", 100.0, 1.0, 3.0), 48000, [24000.1])


def test_sections_are_cached_and_cannot_be_changed():
    rows = filter_sections(Filter("peaking", 100.0, 1.0, 3.0), 48000)
    assert rows is filter_sections(Filter("peaking", 100.0, 1.0, 3.0), 48000)
    with pytest.raises(ValueError, match="read-only"):
        rows[0, 0] = 2
