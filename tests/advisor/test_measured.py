import numpy as np
import pytest

from roomtune.advisor.measured import measured_from_responses, measured_from_takes
from roomtune.capture.take import Take, Verdict
from roomtune.errors import MeasurementError
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum

SWEEP = Sweep(40.0, 20000.0, 2.0, 48000.0)


def a_take(source, seat, samples, start_s=0.0, grade="good", density=0.0, reference="acoustic"):
    return Take(
        source=source,
        kind="output",
        seat=seat,
        stimulus=SWEEP,
        level_dbfs=-12.0,
        impulse_response=ImpulseResponse(samples, 48000.0, start_s),
        noise=NoiseSpectrum([10.0, 24000.0], [density, density]),
        harmonics=(),
        verdict=Verdict(grade),
        reference=reference,
        clock_drift_ppm=0.0,
        recorded_at="2026-01-01T00:00:00+00:00",
    )


def pulse(place, length=4800):
    samples = np.zeros(length)
    samples[place] = 1.0
    return samples


def all_takes(system, **changes):
    return [
        a_take(o.name, s.name, pulse(100 + 10 * n), **changes)
        for n, o in enumerate(system.outputs)
        for s in system.seats
    ]


def test_takes_are_gathered_in_the_systems_order(workshop):
    system = workshop.system()
    measured = measured_from_takes(system, all_takes(system)[::-1])
    assert measured.outputs == tuple(o.name for o in system.outputs)
    assert measured.seats == tuple(s.name for s in system.seats)
    assert np.argmax(measured.responses.samples[3, 1]) == 130
    assert measured.timed


def test_missing_and_untrusted_takes_are_all_named(workshop):
    system = workshop.system()
    takes = all_takes(system)[1:]
    takes[3] = a_take(takes[3].source, takes[3].seat, pulse(5), grade="repeat")
    with pytest.raises(
        MeasurementError, match=r"2 takes are missing.*left low at seat 0.*right low"
    ):
        measured_from_takes(system, takes)


def test_seats_without_any_take_are_left_out(workshop):
    system = workshop.system()
    takes = [take for take in all_takes(system) if take.seat == "seat 0"]
    assert measured_from_takes(system, takes).seats == ("seat 0",)


def test_no_take_at_all_says_what_to_do(workshop):
    with pytest.raises(MeasurementError, match="run `roomtune measure`"):
        measured_from_takes(workshop.system(), [])


def test_different_time_axes_are_joined_exactly(workshop):
    system = workshop.system()
    takes = all_takes(system)
    whole = a_take(takes[0].source, takes[0].seat, pulse(100), start_s=-10 / 48000)
    half = a_take(takes[1].source, takes[1].seat, pulse(100), start_s=2.5 / 48000)
    measured = measured_from_takes(system, [whole, half, *takes[2:]])
    assert measured.responses.start_s == pytest.approx(-10 / 48000)
    assert np.argmax(measured.responses.samples[0, 0]) == 100
    frequencies = np.array([1000.0, 5000.0])
    moved = measured.responses[0, 1].response_at(frequencies).values
    expected = np.exp(-2j * np.pi * frequencies * 102.5 / 48000)
    np.testing.assert_allclose(moved, expected, atol=2e-3)


def test_takes_without_reference_are_not_timed(workshop):
    system = workshop.system()
    assert not measured_from_takes(system, all_takes(system, reference="none")).timed


def test_beyond_the_band_nothing_counts_and_is_uncertain(workshop):
    system = workshop.system()
    samples = np.tile(pulse(100), (6, 2, 1))
    measured = measured_from_responses(system, ImpulseResponse(samples, 48000.0))
    frequencies = np.array([400.0, 900.0, 3000.0])
    tweeter = 1
    values = np.abs(measured.at(frequencies).values[tweeter, 0])
    np.testing.assert_allclose(values, [0.0, 1.0, 1.0], atol=1e-3)
    deviation = measured.deviation_at(frequencies)[tweeter, 0]
    assert deviation[0] == pytest.approx(1.0, rel=1e-3)
    assert deviation[2] < 1e-4


def test_stated_deviation_is_that_of_noise_through_the_deconvolution(workshop):
    # Monte Carlo: white noise of known density, divided by the sweep's spectrum
    # |X|^2 = L / (4 f) (Novak et al. 2015), seen through the response's window.
    random = np.random.default_rng(7)
    rate, length, density = 48000.0, 4800, 1e-9
    stated = measured_from_takes(
        workshop.system(), all_takes(workshop.system(), density=density)
    ).deviation_at([1000.0])[0, 0, 0]
    long = 1 << 16
    frequencies = np.fft.rfftfreq(long, 1 / rate)
    rate_s = SWEEP.duration_s / np.log(SWEEP.stop_hz / SWEEP.start_hz)
    level = 10 ** (-12.0 / 20)
    inverse = 2 * np.sqrt(np.maximum(frequencies, 1.0) / rate_s) / level / rate
    found = []
    for _ in range(300):
        noise = random.normal(scale=np.sqrt(density * rate), size=long)
        deconvolved = np.fft.irfft(np.fft.rfft(noise) * inverse, long)[:length]
        turn = np.exp(-2j * np.pi * 1000.0 * np.arange(length) / rate)
        found.append(deconvolved @ turn)
    spread = np.sqrt(np.mean(np.abs(found) ** 2))
    assert stated == pytest.approx(spread, rel=0.1)


def test_shapes_that_do_not_fit_are_refused(workshop):
    system = workshop.system()
    with pytest.raises(ValueError, match="outputs x seats"):
        measured_from_responses(system, ImpulseResponse(np.ones((2, 2, 10)), 48000.0), ["a", "b"])
