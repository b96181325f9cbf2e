"""Polarity of synthetic drivers that are known to be inverted or not."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.analysis.polarity import polarity
from roomtune.signal.values import ImpulseResponse


def trials(kinds, synthetic_driver, count, snr_db, some_reflections=None, seed=0):
    rng = np.random.default_rng(seed)
    right, confidence = [], []
    for number in range(count):
        kind = list(kinds.values())[number % len(kinds)]
        sign = int(rng.choice([-1, 1]))
        rays = some_reflections(kind, rng) if some_reflections else ()
        response = synthetic_driver(
            kind, rng.uniform(2e-3, 15e-3), sign, snr_db, rays, rng, count=1 << 13
        )
        found = polarity(response, kind.band_hz)
        right.append(found.sign == sign)
        confidence.append(float(found.confidence))
    return np.array(right), np.array(confidence)


def test_polarity_in_a_room_at_40_db(kinds, synthetic_driver, some_reflections):
    right, confidence = trials(kinds, synthetic_driver, 36, 40, some_reflections)
    # one 80 Hz subwoofer amid reflections as early and strong as itself is doubted
    assert np.all(right[confidence > 0.5])
    assert right.mean() > 0.96
    assert np.median(confidence) > 0.999


@pytest.mark.slow
def test_polarity_at_20_db_is_right(kinds, synthetic_driver):
    right, confidence = trials(kinds, synthetic_driver, 120, 20, seed=1)
    assert np.all(right)
    assert np.all(confidence > 0.5)


def test_silence_has_no_polarity():
    found = polarity(ImpulseResponse(np.zeros((2, 4096)), 48000.0), (100.0, 10e3))
    assert found.sign.tolist() == [0, 0]
    assert found.confidence == pytest.approx(0)
