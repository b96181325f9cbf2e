import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.advisor.sections import SectionBank, section_responses
from roomtune.processor.filters import filter_response
from roomtune.processor.gradient import sections_level_and_gradient
from roomtune.processor.tuning import Filter

FREQUENCIES = np.geomspace(10, 20000, 90)
KINDS = ["peaking", "low shelf", "high shelf", "all pass"]
kinds = st.sampled_from(KINDS)
log_frequencies = st.floats(np.log(15), np.log(18000))
log_qs = st.floats(np.log(0.3), np.log(20))
gains = st.floats(-18, 12)
calm = settings(derandomize=True, deadline=None, max_examples=60)


def bank(kind: str, log_frequency: float, log_q: float, gain_db: float) -> SectionBank:
    return SectionBank((kind,), np.array([log_frequency]), np.array([log_q]), np.array([gain_db]))


@calm
@given(kinds, log_frequencies, log_qs, gains, st.sampled_from([48000.0, 96000.0]))
def test_responses_equal_the_processors(kind, log_frequency, log_q, gain, rate):
    # Oracle: roomtune.processor.filters, itself checked against the cookbook tables.
    item = Filter(kind, float(np.exp(log_frequency)), float(np.exp(log_q)))
    if kind != "all pass":
        item = Filter(kind, item.frequency_hz, item.q, gain)
    expected = filter_response(item, rate, FREQUENCIES)
    values, _ = section_responses(bank(kind, log_frequency, log_q, gain), FREQUENCIES, rate)
    # The processor's response is that of its float64 coefficients: their rounding, 1e-16,
    # grows by 1/w0^2 (2e6 at 15 Hz and 96 kHz) and by Q (up to 20).
    np.testing.assert_allclose(values[0], expected, rtol=3e-8, atol=3e-8)


@calm
@given(kinds, log_frequencies, log_qs, gains)
def test_derivatives_equal_central_differences(kind, log_frequency, log_q, gain):
    _, slopes = section_responses(bank(kind, log_frequency, log_q, gain), FREQUENCIES, 48000)
    point = np.array([log_frequency, log_q, gain])
    for place, step in enumerate((1e-6, 1e-6, 1e-4)):
        ends = []
        for sign in (1, -1):
            moved = point.copy()
            moved[place] += sign * step
            ends.append(section_responses(bank(kind, *moved), FREQUENCIES, 48000)[0][0])
        middle = section_responses(bank(kind, *point), FREQUENCIES, 48000)[0][0]
        numeric = (ends[0] - ends[1]) / (2 * step) / middle
        # central differences of values near 1: rounding 1e-16 / step, times 1/|H|
        np.testing.assert_allclose(slopes[0, place], numeric, rtol=2e-6, atol=5e-9)


def test_gain_of_zero_changes_nothing():
    values, _ = section_responses(bank("peaking", np.log(100), 0.0, 0.0), FREQUENCIES, 48000)
    np.testing.assert_allclose(values, 1, atol=1e-14)


@pytest.mark.parametrize("kind", KINDS[:3])
def test_level_at_the_own_frequency(kind):
    # W3C Audio EQ Cookbook: peaking reaches its gain there, shelves half of it.
    values, _ = section_responses(
        bank(kind, np.log(40.0), np.log(3.0), -9.0), np.array([40.0]), 96000
    )
    level = 20 * np.log10(abs(values[0, 0]))
    assert level == pytest.approx(-9.0 if kind == "peaking" else -4.5, abs=1e-10)


@pytest.mark.parametrize("kind", KINDS)
def test_derivatives_of_the_logarithm_agree_with_the_processors_level_derivatives(kind):
    # An independent derivation: of squared magnitudes, by frequency in Hz, Q and gain.
    frequency, q, gain = 300.0, 1.4, 5.0
    _, slopes = section_responses(
        bank(kind, np.log(frequency), np.log(q), gain), FREQUENCIES, 48000
    )
    _, levels = sections_level_and_gradient([kind], [(frequency, q, gain)], FREQUENCIES, 48000)
    wanted = levels[0] * np.array([[frequency], [q], [1.0]])
    np.testing.assert_allclose(20 / np.log(10) * slopes[0].real, wanted, rtol=1e-9, atol=1e-10)
