"""Central values: closed forms and properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.signal.values import FrequencyResponse, ImpulseResponse, NoiseSpectrum

RATE_HZ = 48000.0


def decaying_resonance(frequency_hz: float, decay_s: float, count: int = 24000) -> np.ndarray:
    """Samples of exp(-t / decay) sin(2 pi f t)."""
    time = np.arange(count) / RATE_HZ
    return np.exp(-time / decay_s) * np.sin(2 * np.pi * frequency_hz * time)


def z_transform_of_resonance(frequencies_hz, frequency_hz: float, decay_s: float) -> np.ndarray:
    """Closed form: sum r^n sin(n a) z^-n = r sin(a) z^-1 / (1 - 2 r cos(a) z^-1 + r^2 z^-2)."""
    radius = np.exp(-1 / (decay_s * RATE_HZ))
    angle = 2 * np.pi * frequency_hz / RATE_HZ
    step = np.exp(-2j * np.pi * np.asarray(frequencies_hz) / RATE_HZ)
    below = 1 - 2 * radius * np.cos(angle) * step + radius**2 * step**2
    return radius * np.sin(angle) * step / below


def test_a_delay_turns_the_phase_the_agreed_way() -> None:
    response = FrequencyResponse(np.array([0.0, 250.0, 500.0]), np.ones(3)).delayed(1e-3)
    assert response.values == pytest.approx(np.array([1, -1j, -1]), abs=1e-12)


def test_the_start_time_counts_in_the_phase() -> None:
    impulse = np.zeros(480)
    impulse[48] = 1
    at_zero = ImpulseResponse(impulse, RATE_HZ, start_s=-48 / RATE_HZ).response()
    assert at_zero.values == pytest.approx(np.ones_like(at_zero.values), abs=1e-12)


def test_reading_between_the_bins_equals_the_closed_form() -> None:
    frequencies = np.geomspace(20, 20000, 400)
    response = ImpulseResponse(decaying_resonance(63.0, 0.04), RATE_HZ).response_at(frequencies)
    truth = z_transform_of_resonance(frequencies, 63.0, 0.04)
    error = np.abs(response.values - truth).max() / np.abs(truth).max()
    assert 20 * np.log10(error) < -60


@given(st.integers(0, 4000), st.floats(-0.01, 0.01))
@settings(derandomize=True, deadline=None, max_examples=50)
def test_a_pure_delay_is_read_exactly(sample: int, start_s: float) -> None:
    impulse = np.zeros(4096)
    impulse[sample] = 0.5
    frequencies = np.geomspace(10, 23000, 64)
    response = ImpulseResponse(impulse, RATE_HZ, start_s).response_at(frequencies)
    truth = 0.5 * np.exp(-2j * np.pi * frequencies * (sample / RATE_HZ + start_s))
    assert np.abs(response.values - truth).max() < 1e-9


def test_leading_axes_are_selected_and_the_last_stays_whole() -> None:
    many = ImpulseResponse(np.arange(24.0).reshape(2, 3, 4), RATE_HZ)
    assert many[1, 2].samples.tolist() == [20, 21, 22, 23]
    assert many[0].samples.shape == (3, 4)
    assert many.response(4)[1].values.shape == (3, 3)


def test_values_cannot_be_changed() -> None:
    impulse = ImpulseResponse(np.ones(4), RATE_HZ)
    with pytest.raises(ValueError, match="read-only"):
        impulse.samples[0] = 2


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: ImpulseResponse(np.ones(0), RATE_HZ), "at least one sample"),
        (lambda: ImpulseResponse(np.ones(4), 0), "positive, got 0"),
        (lambda: FrequencyResponse(np.ones(3), np.ones(4)), "do not fit"),
        (lambda: ImpulseResponse(np.ones(9), RATE_HZ).response(8), "cuts 9 samples"),
    ],
)
def test_misuse_is_refused(make, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        make()


def test_noise_is_held_beyond_its_ends() -> None:
    noise = NoiseSpectrum(np.array([10.0, 20.0]), np.array([1.0, 3.0]))
    assert noise.at([5, 15, 40]).tolist() == [1, 2, 3]


def test_values_print_what_they_are() -> None:
    assert "2x3, 1.0 ms" in repr(ImpulseResponse(np.ones((2, 3, 48)), RATE_HZ))
    assert "20 to 40 Hz" in repr(FrequencyResponse(np.array([20.0, 40.0]), np.ones(2)))
