"""What the analysis is off by, where a standard, a closed form or a library knows better.

    python tests/benchmarks/analysis_figures.py

Weighting, band filters, decay measures, smoothing, harmonics, sealed box. Modes,
arrival and polarity have trials of their own, speed has `analysis_speed`.
"""

from __future__ import annotations

import csv
import sys
import warnings
from pathlib import Path

import numpy as np

from roomtune.analysis.decay import clarity_db, decay_curve, reverberation_time_s
from roomtune.analysis.distortion import distortion
from roomtune.analysis.driver_data import sealed_box
from roomtune.analysis.sealed_box import fit_sealed_box
from roomtune.signal.band_filters import band_filtered, band_sections
from roomtune.signal.bands import band_centres_hz
from roomtune.signal.smoothing import smooth_complex, smooth_power_db
from roomtune.signal.values import FrequencyResponse, ImpulseResponse
from roomtune.signal.weighting import weighting_db

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))
sys.path.insert(0, str(Path(__file__).parents[1] / "signal"))
import test_decay as decays
import test_distortion as bent
import test_sealed_box as boxes
import test_smoothing as smooth

RATE = 48000
TESTS = Path(__file__).parents[1]


def table(name: str) -> list[dict[str, str]]:
    """Rows of a published table."""
    with (TESTS / "reference" / name).open() as file:
        return list(csv.DictReader(file))


def weighting() -> None:
    """A and C against the formula and the limits of class 1."""
    rows = table("iec61672_weighting.csv")
    exact = np.array([float(row["exact_Hz"]) for row in rows])
    for letter in "AC":
        found = weighting_db(exact, letter)
        formula, printed = (
            np.array([float(row[f"{letter}_{column}_dB"]) for row in rows])
            for column in ("formula_at_exact", "table")
        )
        upper, lower = (
            np.array([float(row[f"class1_{side}_dB"]) for row in rows])
            for side in ("upper", "lower")
        )
        inside = (found - printed <= upper) & (found - printed >= lower)
        print(
            f"weighting {letter}: {np.abs(found - formula).max():.1e} dB from the formula, "
            f"class 1 kept at {inside.sum()} of {len(rows)} frequencies of IEC 61672-1"
        )


def band_filters() -> None:
    """Octave and third-octave filters in the mask of class 1: least room to a limit."""
    import scipy.signal

    rows = table("iec61260_class1_mask.csv")
    for fraction, high in ((1, 8000.0), (3, 16000.0)):
        spare, points = [], 0
        for centre in band_centres_hz(20, high, fraction):
            sections = band_sections(centre, RATE, fraction)
            for row in (r for r in rows if int(r["bandwidth_1_over_b"]) == fraction):
                # the edge belongs to both segments: step a hair to the right side of it
                inward = 1 - 1e-9 if row["segment"] == "pass" else 1 + 1e-9
                omega = max(float(row["omega_high"]) * inward, 1.0)
                at = centre * np.array([omega, 1 / omega])
                at = at[at < RATE / 2]
                level = np.abs(scipy.signal.sosfreqz(sections, at, fs=RATE)[1])
                loss = -20 * np.log10(np.maximum(level, 1e-300))
                least, most = (float(row[f"{m}_relative_attenuation_dB"]) for m in ("min", "max"))
                spare += [np.min(loss - least), np.min(most - loss)]
                points += len(at)
        print(
            f"band filters 1/{fraction}: {points} points of the class 1 mask of IEC 61260-1, "
            f"least room to a limit {min(spare):.3f} dB"
        )


def decay_measures() -> None:
    """Closed forms of ISO 3382-1 in noise; octaves of measured-like responses against pyrato."""
    times, clarities = [], []
    for snr_db in (50, 65, 80):
        rng = np.random.default_rng(snr_db)
        for row in table("decay_closed_forms.csv"):
            time_s = float(row["T60_s"])
            curve = decay_curve(decays.exponential(time_s, snr_db, rng) ** 2, decays.RATE)
            for limits in decays.LIMITS.values():
                found = reverberation_time_s(curve.level_db, decays.RATE, *limits)
                times.append(abs(found / time_s - 1))
            for name, limit in (("C50_dB", 0.05), ("C80_dB", 0.08)):
                if float(row[name]) < snr_db - 30:  # late energy well above the noise
                    value = clarity_db(curve.energy, curve.beyond, limit * decays.RATE)
                    clarities.append(abs(value - float(row[name])))
    print(
        f"decay in noise at -50, -65, -80 dB: EDT, T20, T30 within {100 * max(times):.2f} % of the "
        f"closed form ({len(times)} values), C50, C80 within {max(clarities):.3f} dB "
        f"({len(clarities)})"
    )
    import pyfar
    import pyrato

    apart, rng, at = [], np.random.default_rng(3), np.arange(3 * RATE // 2) / RATE
    for _ in range(6):
        rows = [np.exp(-3 * np.log(10) * at / t) for t in (0.55, 0.6, 0.7)]
        row = np.sum(rng.standard_normal((3, at.size)) * rows, axis=0)
        row += 1e-3 * rng.standard_normal(at.size)
        centres = [500.0, 1000.0, 2000.0, 4000.0]
        for band in band_filtered(ImpulseResponse(row, float(RATE)), centres).samples:
            curve = pyrato.edc.energy_decay_curve_chu_lundeby(
                pyfar.Signal(band, RATE), time_shift=False
            )
            ours = decay_curve(band**2, RATE).level_db
            for name, start, stop in (("T20", -5, -25), ("T30", -5, -35)):
                theirs = pyrato.parameters.reverberation_time_linear_regression(curve, T=name)
                found = reverberation_time_s(ours, RATE, start, stop)
                apart.append(found / float(np.ravel(theirs)[0]) - 1)
    error = 100 * np.abs(np.array(apart))
    print(
        f"T20, T30 against pyrato in the same bands, {error.size} values from 500 Hz: "
        f"95 % within {np.quantile(error, 0.95):.2f} %, largest {error.max():.2f} %"
    )


def smoothing() -> None:
    """Power and complex smoothing against the definition written out."""
    rng = np.random.default_rng(1)
    frequencies = np.arange(1, 1500) * 16.0
    values = rng.normal(size=1499) + 1j * rng.normal(size=1499)
    response, worst = FrequencyResponse(frequencies, values), 0.0
    for fraction in (1, 2, 3, 6, 12, 24, 48):
        half = np.log(2) / 2 / fraction
        power = smooth.by_definition(frequencies, np.abs(values) ** 2, lambda f, h=half: h)
        found = 10 ** (smooth_power_db(response, fraction) / 10)
        complex_ = smooth.by_definition(frequencies, values, lambda f, h=half: h)
        worst = max(worst, np.abs(found / power - 1).max())
        worst = max(worst, np.abs(smooth_complex(response, fraction).values - complex_).max())
    print(f"smoothing 1/1 to 1/48, power and complex: {worst:.1e} from the definition")


def harmonics() -> None:
    """Orders 2 to 5 of a polynomial against its Fourier series."""
    heard, truth = bent.played(), bent.harmonic_amplitudes()
    at = np.geomspace(100, 3500, 40)
    found = distortion(heard.linear, heard.harmonics, at, bent.SWEEP.valid_band_hz)
    wanted = 20 * np.log10(truth[2:6] / truth[1])
    off = np.abs(found.harmonics_db[:4] - wanted[:, None]).max(axis=1)
    told = ", ".join(f"{order}: {dev:.3f} dB" for order, dev in enumerate(off, 2))
    print(f"harmonics of a polynomial, largest deviation from 100 to 3500 Hz: {told}")


def sealed_boxes(trials: int = 200) -> None:
    """Errors, coverage, and leaks found and invented."""
    wanted = sealed_box(boxes.FS, boxes.QTS, boxes.VAS, boxes.VOLUME)
    truth = np.array([wanted.resonance_hz, wanted.total_q])
    fits = [
        fit_sealed_box(boxes.near_field(scatter_db=0.2, seed=1000 + n), (10, 300))
        for n in range(trials)
    ]
    found = np.array([(fit.box.resonance_hz, fit.box.total_q) for fit in fits])
    stated = np.array([(fit.resonance_uncertainty_hz, fit.q_uncertainty) for fit in fits])
    error = np.abs(found - truth)
    for place, name in enumerate(("fc", "Qtc")):
        off = 100 * error[:, place] / truth[place]
        within = [np.mean(error[:, place] < k * stated[:, place]) for k in (1, 2)]
        print(
            f"sealed box {name}: 95 % {np.quantile(off, 0.95):.2f} %, largest {off.max():.2f} % in "
            f"{trials} trials with 0.2 dB of scatter; within 1, 2 stated: "
            f"{within[0]:.2f}, {within[1]:.2f}"
        )
    leaky = [
        fit_sealed_box(boxes.near_field(hole_mm=6, scatter_db=0.2, seed=n), (9, 300))
        for n in range(trials // 4)
    ]
    flagged = sum(fit.leak_hz is not None for fit in leaky)
    invented = sum(fit.leak_hz is not None for fit in fits)
    print(f"6 mm hole: {flagged} of {len(leaky)} flagged; no hole: {invented} of {trials} flagged")


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for part in (
            weighting,
            band_filters,
            decay_measures,
            smoothing,
            harmonics,
            sealed_boxes,
        ):
            part()
