import numpy as np
import pytest

from roomtune.advisor.energy import energy_model
from roomtune.advisor.prediction import predict
from roomtune.advisor.starting import starting_tuning
from roomtune.processor.rendering import render
from roomtune.processor.tuning import ChannelSetting, OutputSetting, Route, Tuning
from roomtune.signal.bands import band_levels_db, third_octave_centres_hz


@pytest.fixture(scope="module")
def system(workshop):
    return workshop.system()


@pytest.fixture(scope="module")
def measured(workshop, system):
    drivers = workshop.drivers()
    return workshop.measured(system, drivers)


def test_one_route_at_unity_gives_back_what_was_measured(system, measured):
    tuning = Tuning(
        48000,
        (ChannelSetting("L"),),
        (Route("L", "left low"),),
        (OutputSetting("left low", 1),),
    )
    frequencies = np.array([100.0, 500.0, 3000.0])
    found = predict(tuning, measured, frequencies).response.values[0]
    np.testing.assert_allclose(found, measured.at(frequencies).values[0], rtol=1e-12)


def test_two_equal_outputs_add_6_db_and_cancel_when_one_is_inverted(system, measured):
    def both(inverted):
        return Tuning(
            48000,
            (ChannelSetting("L"),),
            (Route("L", "left low"), Route("L", "again")),
            (OutputSetting("left low", 1), OutputSetting("again", 2, inverted=inverted)),
        )

    from dataclasses import replace

    doubled = replace(measured, outputs=("left low", "again", *measured.outputs[2:]))
    samples = measured.responses.samples.copy()
    samples[1] = samples[0]
    bands = measured.bands_hz.copy()
    bands[1] = bands[0]
    from roomtune.signal.values import ImpulseResponse

    doubled = replace(doubled, responses=ImpulseResponse(samples, 48000.0), bands_hz=bands)
    alone = doubled.at([300.0]).values[0]
    np.testing.assert_allclose(
        predict(both(False), doubled, [300.0]).response.values[0], 2 * alone, rtol=1e-9
    )
    assert np.max(np.abs(predict(both(True), doubled, [300.0]).response.values)) < 1e-12


def test_prediction_equals_rendering_and_convolving(system, measured):
    # Oracle: the processor's renderer, then plain convolution with what was measured.
    tuning = starting_tuning(system)
    prediction = predict(tuning, measured)
    programme = np.zeros((20000, 3))
    programme[0, 0] = 1.0
    driven = render(tuning, programme, limiters=False)
    length = 2 * (len(prediction.response.frequencies_hz) - 1)
    responses = np.fft.irfft(measured.spectrum.values[:, 0], length)
    expected = sum(
        np.fft.irfft(np.fft.rfft(driven[:, k], length) * np.fft.rfft(responses[k]), length)
        for k in range(6)
    )
    found = prediction.impulse_responses.samples[0, 0]
    error = np.sum((found - expected) ** 2) / np.sum(expected**2)
    assert 10 * np.log10(error) < -90


def test_band_powers_of_the_energy_model_are_those_of_the_prediction(system, measured):
    tuning = starting_tuning(system)
    model = energy_model(measured, tuning)
    centres = third_octave_centres_hz(31.5, 12500)
    predicted = band_levels_db(predict(tuning, measured).response, centres)
    from roomtune.advisor.aims import Aims, base_gains, levels_db, third_rows

    aims = Aims(system, measured, model)
    _, bands = third_rows(model, (31.5, 12500))
    gains = base_gains(aims, tuning)
    for channel in aims.mains:
        found = levels_db(aims, channel, gains[channel], np.eye(2), bands)
        np.testing.assert_allclose(found, predicted[channel], atol=0.05)


def test_uncertainty_grows_where_a_channel_is_weak_and_unmeasured(system, workshop):
    noisy = workshop.measured(system, workshop.drivers(), range_db=40.0)
    prediction = predict(starting_tuning(system), noisy, [5.0, 1000.0])
    left = prediction.uncertainty_db[0, 0]
    assert left[0] > 3.0
    assert 0.01 < left[1] < 0.5


def test_an_output_that_was_not_measured_is_refused(system, measured):
    tuning = Tuning(48000, (), (), (OutputSetting("attic", 1),))
    with pytest.raises(ValueError, match="attic"):
        predict(tuning, measured)


def test_only_a_whole_grid_has_impulse_responses(system, measured):
    with pytest.raises(ValueError, match="whole FFT grid"):
        _ = predict(starting_tuning(system), measured, [100.0, 200.0]).impulse_responses
