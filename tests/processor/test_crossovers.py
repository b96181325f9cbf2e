"""Crossover families against the published tables and their defining laws."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from roomtune.processor.crossovers import section_poles
from roomtune.processor.filters import filter_response, filter_sections
from roomtune.processor.tuning import Filter

NAMES = {"BW": "Butterworth", "LR": "Linkwitz-Riley"}
GRID = np.geomspace(10, 23900, 2000)


def rows(folder, name):
    with (folder / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def pair(family, order, frequency, rate=48000.0, grid=GRID):
    """Responses of the low and the high pass."""
    return tuple(
        filter_response(Filter(kind, frequency, family=family, order=order), rate, grid)
        for kind in ("low pass", "high pass")
    )


def test_bessel_sections_equal_the_table(reference_folder):
    # Bessel (Thomson) polynomials, -3 dB normalised; computed with mpmath.
    wanted = {}
    for row in rows(reference_folder, "bessel_sections.csv"):
        q = None if row["Q"] == "first-order" else float(row["Q"])
        wanted.setdefault(int(row["order"]), []).append((float(row["section_f0_over_f3dB"]), q))
    assert sorted(wanted) == list(range(1, 9))
    for order, sections in wanted.items():
        found = section_poles("Bessel", order)
        assert [q is None for _, q in found] == [q is None for _, q in sections]
        for (frequency, q), (wanted_frequency, wanted_q) in zip(found, sections, strict=True):
            assert frequency == pytest.approx(wanted_frequency, rel=2e-11)
            if q is not None:
                assert q == pytest.approx(wanted_q, rel=2e-11)


def test_butterworth_section_q():
    # standards: n=4 0.541196, 1.306563; n=6 0.517638, 0.707107, 1.931852; n=8 ...
    wanted = {
        2: (0.707107,),
        3: (1.0, None),
        4: (0.541196, 1.306563),
        6: (0.517638, 0.707107, 1.931852),
        8: (0.509796, 0.601345, 0.899976, 2.562915),
    }
    for order, qs in wanted.items():
        found = [q for _, q in section_poles("Butterworth", order)]
        assert [q is None for q in found] == [q is None for q in qs]
        assert [q for q in found if q] == pytest.approx([q for q in qs if q], abs=5e-7)


def test_facts_at_the_crossover_frequency(reference_folder):
    # S. H. Linkwitz, JAES 24(1), 1976; exact at the frequency by the bilinear transform.
    for row in rows(reference_folder, "crossover_facts.csv"):
        name = row["alignment"]
        family, order = NAMES[name[:2]], int(name[2:])
        low, high = pair(family, order, 1000.0, grid=np.array([1000.0]))
        level = float(row["LP_and_HP_level_at_fc_dB"])
        assert 20 * np.log10(abs(low[0])) == pytest.approx(level, abs=1e-7)
        assert 20 * np.log10(abs(high[0])) == pytest.approx(level, abs=1e-7)
        phases = np.exp(1j * np.radians([float(row["LP_phase_at_fc_deg"])]))
        assert low[0] / abs(low[0]) == pytest.approx(phases[0], abs=1e-9)
        turn = np.exp(1j * np.radians(float(row["HP_phase_at_fc_deg"])))
        assert high[0] / abs(high[0]) == pytest.approx(turn, abs=1e-9)
        for key, sign in (("sum_same_polarity_at_fc_dB", 1), ("sum_one_inverted_at_fc_dB", -1)):
            total = abs(low[0] + sign * high[0])
            if row[key] == "-inf":
                assert total < 1e-9
            else:
                assert 20 * np.log10(total) == pytest.approx(float(row[key]), abs=1e-7)


def test_sums_that_should_be_flat_are(reference_folder):
    for row in rows(reference_folder, "crossover_facts.csv"):
        if row["that_sum_is_flat_allpass"] != "True":
            continue
        family, order = NAMES[row["alignment"][:2]], int(row["alignment"][2:])
        sign = int(row["polarity_of_HP_for_listed_sum"])
        for frequency in (80.0, 2000.0, 9000.0):
            low, high = pair(family, order, frequency)
            level = 20 * np.log10(np.abs(low + sign * high))
            assert np.abs(level).max() < 1e-6, (row["alignment"], frequency)


def test_group_delay_of_the_sums(reference_folder):
    # ms at 80 Hz; at 48 kHz the bilinear transform changes it by below 1e-4.
    for row in rows(reference_folder, "crossover_facts.csv"):
        if not row["GD_fc_ms_fc80Hz"] or float(row["GD_fc_ms_fc80Hz"]) == 0:
            continue
        family, order = NAMES[row["alignment"][:2]], int(row["alignment"][2:])
        near = np.array([79.99, 80.01])
        low, high = pair(family, order, 80.0, grid=near)
        total = low + int(row["polarity_of_HP_for_listed_sum"]) * high
        delay_ms = -np.angle(total[1] / total[0]) / (2 * np.pi * 0.02) * 1000
        assert delay_ms == pytest.approx(float(row["GD_fc_ms_fc80Hz"]), rel=2e-4)


@pytest.mark.parametrize("family", ["Butterworth", "Bessel", "Linkwitz-Riley"])
@pytest.mark.parametrize("order", range(1, 13))
def test_every_order_has_its_level_at_the_frequency_and_its_slope(family, order):
    if family == "Linkwitz-Riley" and order % 2:
        with pytest.raises(ValueError, match="even order"):
            section_poles(family, order)
        return
    frequency = 400.0
    low, high = pair(family, order, frequency, 192000.0, np.array([400.0, 25.0, 12.5]))
    wanted = -20 * np.log10(2) if family == "Linkwitz-Riley" else -10 * np.log10(2)
    assert 20 * np.log10(abs(low[0])) == pytest.approx(wanted, abs=1e-6)
    assert 20 * np.log10(abs(high[0])) == pytest.approx(wanted, abs=1e-6)
    slope = 20 * np.log10(abs(high[1]) / abs(high[2]))
    assert slope == pytest.approx(6.0206 * order, abs=0.02 * order)
    sections = filter_sections(Filter("low pass", 400.0, family=family, order=order), 192000.0)
    assert len(sections) == (order + 1) // 2


@pytest.mark.parametrize("order", [4, 8])
def test_linkwitz_riley_low_pass_off_the_crossover(order):
    # standards.md section 6: LR4 -0.527 dB at fc/2, -24.609 at 2 fc; LR8 -0.0339, -48.199.
    wanted = {4: (-0.527, -24.609), 8: (-0.0339, -48.199)}[order]
    low, _ = pair("Linkwitz-Riley", order, 50.0, 192000.0, np.array([25.0, 100.0]))
    assert 20 * np.log10(np.abs(low)) == pytest.approx(wanted, abs=1e-3)


def scipy_sections(family, kind, order):
    from scipy import signal

    if family == "Butterworth":
        return signal.butter(order, 300.0, kind.replace(" ", ""), fs=48000, output="sos")
    return signal.bessel(order, 300.0, kind.replace(" ", ""), fs=48000, norm="mag", output="sos")


@pytest.mark.parametrize("order", [3, 5, 6])
@pytest.mark.parametrize("family", ["Butterworth", "Bessel"])
@pytest.mark.parametrize("kind", ["low pass", "high pass"])
def test_responses_equal_those_of_scipy(family, kind, order):
    from roomtune.processor.filters import backward_step, sections_response

    mine = filter_response(Filter(kind, 300.0, family=family, order=order), 48000, GRID)
    sections = scipy_sections(family, kind, order)
    theirs = sections_response(sections, backward_step(GRID, 48000))
    # The other design leaves its zeros split at z = +-1: equal to 1e-6 of the passband.
    assert np.abs(mine - theirs).max() < 1e-6


def test_unknown_family():
    with pytest.raises(ValueError, match="unknown crossover family 'Chebyshev'"):
        section_poles("Chebyshev", 4)
