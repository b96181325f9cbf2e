"""Sealed-box fits to near fields computed from the driver's mechanics."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.driver_data import SealedBox, sealed_box
from roomtune.analysis.sealed_box import fit_sealed_box, implied_volume_l, judge_box
from roomtune.signal.values import FrequencyResponse

FREQUENCIES = np.geomspace(8, 400, 400)
# a 10 inch driver: fs 25 Hz, Qts 0.45 (Qms 5), Vas 90 l, box 40 l
FS, QTS, VAS, VOLUME = 25.0, 0.45, 90.0, 40.0
RHO, C = 1.2, 343.2


def near_field(hole_mm=0.0, volume_l=VOLUME, scatter_db=0.0, seed=0):
    """Cone acceleration by the acoustical analogy of box, driver and a round hole.

    In units of the driver's own acoustic stiffness 1 / Cas: the box adds
    Vas / Vb, shunted by the hole's air mass and viscous resistance (18 mm wall).
    """
    omega = 2 * np.pi * FREQUENCIES
    s = 1j * omega / (2 * np.pi * FS)
    box = VAS / volume_l
    if hole_mm:
        radius = hole_mm / 2000
        area, length = np.pi * radius**2, 0.018
        mass = RHO * (length + 1.7 * radius) / area
        resistance = 8 * 1.81e-5 * length / (np.pi * radius**4)
        resistance = resistance + np.sqrt(2 * RHO * omega * 1.81e-5) * length / (area * radius)
        compliance = volume_l / 1000 / (RHO * C**2)
        hole = resistance + 1j * omega * mass
        stiffness = 1 / (1j * omega * compliance)
        box = box * (hole * stiffness / (hole + stiffness)) / stiffness
    response = s**2 / (s**2 + s / QTS + 1 + box) / (1 + 1j * FREQUENCIES / 900)
    rng = np.random.default_rng(seed)
    scatter = 10 ** (scatter_db * rng.standard_normal(len(response)) / 20)
    return FrequencyResponse(FREQUENCIES, 3.0 * response * scatter)


@pytest.mark.parametrize("seed", range(4))
def test_resonance_within_1_and_q_within_3_percent(seed):
    expected = sealed_box(FS, QTS, VAS, VOLUME)
    fit = fit_sealed_box(near_field(scatter_db=0.2, seed=seed), (10, 300))
    assert fit.box.resonance_hz == pytest.approx(expected.resonance_hz, rel=0.01)
    assert fit.box.total_q == pytest.approx(expected.total_q, rel=0.03)
    assert fit.level_db == pytest.approx(20 * np.log10(3), abs=0.2)
    assert fit.leak_hz is None
    assert judge_box(fit, expected) == ()
    assert implied_volume_l(fit, FS, VAS) == pytest.approx(VOLUME, rel=0.05)


def test_stated_uncertainties_cover():
    expected = sealed_box(FS, QTS, VAS, VOLUME)
    inside = []
    for seed in range(16):
        fit = fit_sealed_box(near_field(scatter_db=0.3, seed=100 + seed), (10, 300))
        inside.append(
            abs(fit.box.resonance_hz - expected.resonance_hz) < 2 * fit.resonance_uncertainty_hz
        )
        inside.append(abs(fit.box.total_q - expected.total_q) < 2 * fit.q_uncertainty)
    assert np.mean(inside) > 0.88


@pytest.mark.parametrize("seed", range(4))
def test_a_hole_of_6_mm_is_flagged(seed):
    fit = fit_sealed_box(near_field(hole_mm=6, scatter_db=0.2, seed=seed), (9, 300))
    findings = judge_box(fit, sealed_box(FS, QTS, VAS, VOLUME))
    assert "leak" in [finding.code for finding in findings]
    assert "leak at" in str(fit)


def test_no_leak_is_invented():
    fits = [fit_sealed_box(near_field(scatter_db=0.3, seed=200 + n), (9, 300)) for n in range(12)]
    assert sum(fit.leak_hz is not None for fit in fits) == 0


def test_a_wrong_volume_and_a_dead_coil_show():
    expected = sealed_box(FS, QTS, VAS, VOLUME)
    small = fit_sealed_box(near_field(volume_l=28, scatter_db=0.2), (10, 300))
    assert [f.code for f in judge_box(small, expected)] == ["volume"]
    assert implied_volume_l(small, FS, VAS) == pytest.approx(28, rel=0.05)
    weak = SealedBox(expected.resonance_hz, 2 * expected.total_q)
    response = FrequencyResponse(FREQUENCIES, weak.response(FREQUENCIES))
    assert [f.code for f in judge_box(fit_sealed_box(response, (10, 300)), expected)] == ["damping"]


def test_too_narrow_a_band_is_refused():
    with pytest.raises(ValueError, match="octave"):
        fit_sealed_box(near_field(), (30, 50))


@pytest.mark.parametrize("slope", [-8, 0, 1, 8])
def test_what_no_box_does_is_fitted_without_a_division_by_zero(slope):
    frequencies = np.arange(1, 1000.0)
    response = FrequencyResponse(frequencies, (frequencies / 100) ** slope + 0j)
    fit = fit_sealed_box(response, (10, 300))
    assert np.isfinite([fit.box.resonance_hz, fit.box.total_q, fit.residual_db]).all()
    assert fit.residual_db > 0.3 or fit.resonance_uncertainty_hz > 0.1 * fit.box.resonance_hz
