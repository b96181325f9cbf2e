"""Band filters against the class 1 mask of IEC 61260-1."""

from __future__ import annotations

import csv

import numpy as np
import pytest
import scipy.signal

from roomtune.signal.band_filters import band_filtered, band_sections
from roomtune.signal.bands import band_centres_hz
from roomtune.signal.values import ImpulseResponse


def rows(path):
    with path.open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize(("fraction", "high"), [(1, 8000.0), (3, 16000.0)])
def test_inside_the_class_1_mask_at_every_breakpoint(reference_folder, rate, fraction, high):
    mask = [
        row
        for row in rows(reference_folder / "iec61260_class1_mask.csv")
        if int(row["bandwidth_1_over_b"]) == fraction
    ]
    for centre in band_centres_hz(20, high, fraction):
        sections = band_sections(centre, rate, fraction)
        for row in mask:
            # the edge belongs to both segments: step a hair to the right side of it
            inward = 1 - 1e-9 if row["segment"] == "pass" else 1 + 1e-9
            omega = max(float(row["omega_high"]) * inward, 1.0)
            frequencies = centre * np.array([omega, 1 / omega])
            frequencies = frequencies[frequencies < rate / 2]
            response = scipy.signal.sosfreqz(sections, frequencies, fs=rate)[1]
            attenuation = -20 * np.log10(np.abs(response))
            assert np.all(attenuation >= float(row["min_relative_attenuation_dB"]))
            assert np.all(attenuation <= float(row["max_relative_attenuation_dB"]))


def test_backwards_filtering_rings_before_the_sound():
    samples = np.zeros((2, 9600))
    samples[:, 4800] = 1.0
    response = ImpulseResponse(samples, 48000.0)
    forward = band_filtered(response, [500.0, 1000.0])
    backward = band_filtered(response, [500.0, 1000.0], reverse=True)
    assert forward.samples.shape == (2, 2, 9600)
    assert np.all(forward.samples[..., :4800] == 0)
    assert np.all(backward.samples[..., 4801:] == 0)
    mirrored = backward.samples[..., ::-1][..., 4799:]
    assert mirrored[..., :4000] == pytest.approx(forward.samples[..., 4800:8800])


def test_a_band_beyond_half_the_rate_is_refused():
    with pytest.raises(ValueError, match="does not fit"):
        band_sections(20e3, 40e3)
