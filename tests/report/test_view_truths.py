"""Every view of responses whose answers are known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.measured import measured_from_responses
from roomtune.analysis.driver_data import SealedBox
from roomtune.analysis.microphone import MicrophoneCorrection
from roomtune.capture.take import Take, Verdict
from roomtune.report.subject import Choices, Subject, as_pressure
from roomtune.report.view import as_plain
from roomtune.report.views import VIEWS
from roomtune.signal.bands import octave_centres_hz
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum
from roomtune.signal.weighting import weighting_db
from roomtune.system.model import (
    Channel,
    DriverData,
    Enclosure,
    Loudspeaker,
    Microphone,
    Output,
    Playback,
    Seat,
    System,
)

RATE = 48000.0
COUNT = 1 << 15
GRID = np.fft.rfftfreq(2 * COUNT, 1 / RATE)
ARRIVAL_S = 0.005
BOX = SealedBox(55.3399, 0.7)


def system(driver="full range", band=(40.0, 20000.0), seats=2, **more) -> System:
    output = Output(
        name="left", number=1, loudspeaker="left", driver=driver,
        playback=Playback(interface_output=1), safe_band_hz=band, maximum_level_dbfs=-12.0, **more,
    )  # fmt: skip
    places = [Seat(name="sofa", main=True, position_m=(4, 2.5, 1)), Seat(name="side")]
    return System(
        name="s",
        channels=(Channel(name="L"),),
        loudspeakers=(Loudspeaker(name="left", channel="L", position_m=(2, 2.5, 1)),),
        outputs=(output,),
        seats=tuple(places[:seats]),
        microphone=Microphone(sensitivity_dbfs_at_94_db=-30.0),
        room_size_m=(6, 5, 2.5),
    )


def flight(spectrum, arrival_s=ARRIVAL_S):
    """Samples of a spectrum on GRID after a time of flight."""
    return np.fft.irfft(spectrum * np.exp(-2j * np.pi * GRID * arrival_s))[:COUNT]


def subject(spectra, made=None, choices=None, takes=None, **more) -> Subject:
    """One output whose responses in Pa per full scale have the given spectra, a seat each."""
    made = made or system(seats=len(spectra))
    samples = np.array([flight(spectrum) for spectrum in spectra])[None]
    measured = measured_from_responses(made, ImpulseResponse(samples, RATE, 0.0, "Pa"))
    return Subject(made, measured, takes or {}, choices or Choices(), **more)


def seen(view: str, looked_at: Subject):
    return as_plain(VIEWS[view].look(looked_at))


def line(plain, quantity, seat="sofa"):
    for item in plain["curves"]["lines"]:
        if (item["quantity"], item["seat"]) == (quantity, seat):
            return np.array(item["values"], dtype=float)
    raise KeyError(quantity)


def axis(plain, key="frequency_hz"):
    return np.array(plain["curves"][key])


FLAT = np.ones(len(GRID))
# 1 Pa of amplitude is 94 dB less the crest of a sine: 20 lg(1 / 20e-6) - 3.01
FULL_SCALE_DB = 20 * np.log10(1 / 20e-6) - 10 * np.log10(2)


@pytest.mark.parametrize(
    "choices",
    [
        Choices(smoothing=1.0),
        Choices(smoothing="ear"),
        Choices(smoothing=None),
        Choices(window_cycles=6.0),
        Choices(window_s=0.02),
    ],
    ids=str,
)
def test_a_flat_response_of_one_pascal_is_flat_at_91_db(choices) -> None:
    plain = seen("response", subject([FLAT], choices=choices))
    level = line(plain, "level_db")
    middle = (axis(plain) > 100) & (axis(plain) < 12e3)
    assert level[middle] == pytest.approx(FULL_SCALE_DB, abs=0.02)
    (row,) = plain["octaves"]
    assert row["at_1000_hz_db"] == pytest.approx(FULL_SCALE_DB, abs=1e-6)
    assert row["at_16000_hz_db"] == pytest.approx(FULL_SCALE_DB, abs=1e-6)


def test_weighted_levels_of_pink_noise_follow_the_standard() -> None:
    """Truth: the mean of the weighting over log frequency, by Simpson's rule on its own grid."""
    from scipy.integrate import simpson

    (row,) = seen("pressure", subject([FLAT]))["levels"]
    grid = np.geomspace(40, 20000, 20001)
    assert row["plain_db"] == pytest.approx(FULL_SCALE_DB - 20, abs=0.01)
    for letter in ("A", "C"):
        power = 10 ** (weighting_db(grid, letter) / 10)
        mean = simpson(power, x=np.log(grid)) / np.log(20000 / 40)
        expected = FULL_SCALE_DB - 20 + 10 * np.log10(mean)
        assert row[f"{letter.lower()}_weighted_db"] == pytest.approx(expected, abs=0.02)
    assert row["highest_db"] == pytest.approx(FULL_SCALE_DB - 12, abs=0.01)
    # the seat is 2 m away: 6.02 dB more at 1 m
    assert row["one_metre_db"] == pytest.approx(FULL_SCALE_DB + 20 * np.log10(2), abs=0.05)


def test_the_direct_sound_leaves_out_what_the_floor_sends_back() -> None:
    later = (2 * np.sqrt(2) - 2) / 343.2  # 1 m over the floor, 2 m apart
    room = 1 + 0.6 * np.exp(-2j * np.pi * GRID * (later + 0.0005))
    plain = seen("direct", subject([room]))
    (gate,) = plain["gates"]
    assert gate["gate_ms"] == pytest.approx(1000 * later, abs=0.02)
    assert gate["lowest_valid_hz"] == pytest.approx(1 / later, rel=0.01)
    level, frequencies = line(plain, "level_db"), axis(plain)
    assert np.all(np.isnan(level[frequencies < 0.99 / later]))
    middle = (frequencies > 1000) & (frequencies < 12e3)
    assert level[middle] == pytest.approx(FULL_SCALE_DB, abs=0.1)
    assert np.ptp(line(seen("response", subject([room])), "level_db")[middle]) > 3


def test_near_field_completes_the_direct_sound_below_the_gate() -> None:
    """A sealed box of fc 80 Hz, seen near with another level and time, comes out whole."""
    s = 1j * GRID / 80
    speaker = s**2 / (s**2 + s / 0.7 + 1)
    made = system("woofer", (20.0, 8000.0), 1)
    near = subject([5 * speaker * np.exp(2j * np.pi * GRID * 0.004)], made).measured
    plain = seen("direct", subject([speaker], made, near=near))
    level, frequencies = line(plain, "level_db"), axis(plain)
    used = (frequencies > 25) & (frequencies < 6000)
    truth = SealedBox(80, 0.7).response(frequencies)
    error = level - FULL_SCALE_DB - 20 * np.log10(np.abs(truth))
    assert np.max(np.abs(error[used])) < 0.35
    assert plain["gates"][0]["joined_hz"] == pytest.approx(2 * plain["gates"][0]["lowest_valid_hz"])


def test_phase_of_an_all_pass_is_excess_phase_alone() -> None:
    corner = 800.0
    all_pass = (corner - 1j * GRID) / (corner + 1j * GRID)
    made = system(band=(40.0, 20000.0), seats=1)
    looked_at = subject([all_pass], made, Choices(smoothing=None))
    arrivals = np.array([[ARRIVAL_S]])
    object.__setattr__(looked_at, "arrivals_s", arrivals)
    plain = seen("phase", looked_at)
    frequencies = axis(plain)
    used = (frequencies > 300) & (frequencies < 6000)
    expected = np.degrees(np.angle((corner - 1j * frequencies) / (corner + 1j * frequencies)))
    assert line(plain, "excess_phase_deg")[used] == pytest.approx(expected[used], abs=3)
    assert np.max(np.abs(line(plain, "minimum_phase_deg")[used])) < 3
    delay = 1000 * corner / np.pi / (corner**2 + frequencies**2)
    assert line(plain, "group_delay_ms")[used] == pytest.approx(delay[used], abs=0.02)


def test_step_and_energy_over_time_of_one_impulse() -> None:
    plain = seen("time", subject([-FLAT]))
    (row,) = plain["arrivals"]
    assert row["arrival_ms"] == pytest.approx(1000 * ARRIVAL_S, abs=0.01)
    assert row["polarity"] == "reversed"
    times = axis(plain, "time_ms")
    assert line(plain, "step_re_peak")[times > 0.1] == pytest.approx(-1, abs=0.15)
    assert times[np.argmax(line(plain, "energy_db"))] == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize("view", ["fading", "spectrogram", "wavelets"])
def test_every_view_of_time_and_frequency_shows_how_long_a_resonance_rings(view) -> None:
    """A resonance of 500 Hz with a decay of 60 dB in 0.45 s falls by 20 dB in 0.15 s."""
    times = np.arange(COUNT) / RATE
    samples = np.exp(-3 * np.log(10) * times / 0.45) * np.sin(2 * np.pi * 500 * times)
    plain = seen(view, subject([np.fft.rfft(samples, 2 * COUNT)]))
    assert plain["fall_times"][0]["at_500_hz_ms"] == pytest.approx(150, abs=12)


def test_decay_of_exponential_noise() -> None:
    random = np.random.default_rng(1)
    times = np.arange(COUNT) / RATE
    samples = random.standard_normal(COUNT) * 10 ** (-3 * times / 0.4)
    plain = seen("decay", subject([np.fft.rfft(samples, 2 * COUNT)]))
    rows = {row["band"]: row for row in plain["bands"]}
    for band in ("1000", "2000", "4000", "8000"):
        assert rows[band]["t20_s"] == pytest.approx(0.4, rel=0.08)
        assert rows[band]["t20_valid"]
        # closed form of C50 for an exponential decay: 10 lg(10^(6 x 0.05 / T) - 1)
        assert rows[band]["c50_db"] == pytest.approx(6.65, abs=1.2)
    curves = VIEWS["decay"].look(subject([np.fft.rfft(samples, 2 * COUNT)])).figures[1]
    middle = next(curve for curve in curves.lines if curve.name == "1 kHz")
    falling = (curves.x > 30) & (curves.x < 250)
    assert np.polyfit(curves.x[falling], middle.values[falling], 1)[0] == pytest.approx(
        -60 / 400, rel=0.08
    )
    spectra = [np.fft.rfft(samples, 2 * COUNT)]
    thirds = seen("decay", subject(spectra, choices=Choices(thirds=True)))
    assert len(thirds["bands"]) > 2 * len(plain["bands"])


def test_a_reflection_is_told_with_its_way_and_its_surface() -> None:
    later = (2 * np.sqrt(2) - 2) / 343.2
    room = 1 + 0.5 * np.exp(-2j * np.pi * GRID * later)
    row = seen("reflections", subject([room]))["reflections"][0]
    assert row["delay_ms"] == pytest.approx(1000 * later, abs=0.02)
    assert row["level_db"] == pytest.approx(20 * np.log10(0.5), abs=0.3)
    assert row["path_difference_m"] == pytest.approx(2 * np.sqrt(2) - 2, abs=0.01)
    assert row["surface"] == "floor"
    assert row["caution"]


def take(harmonics=(), noise=1e-16, made=None) -> Take:
    sweep = Sweep(40.0, 20000.0, 2.0, RATE)
    grid = np.linspace(0, RATE / 2, 24001)
    return Take(
        "left", "output", "sofa", sweep, -12.0, ImpulseResponse(flight(FLAT), RATE),
        NoiseSpectrum(grid, np.full(24001, noise)), tuple(harmonics), Verdict("good"),
        "loopback", 0.0, "2026-03-01T20:15:00+00:00",
    )  # fmt: skip


def test_noise_is_rated_by_its_octave_levels() -> None:
    """White noise of density N: an octave about f holds N f / sqrt(2) on each side."""
    density = 2e-14  # of the recording, in which 1 Pa is 10^(-30/20)
    takes = {("left", "sofa"): take(noise=density)}
    (row,) = seen("noise", subject([FLAT], takes=takes))["noise"]
    centres = octave_centres_hz(31.5, 8000)
    width = centres * (10**0.15 - 10**-0.15)
    expected = 10 * np.log10(2 * density * 1000 * width / 20e-6**2)
    found = [row[key] for key in row if key.startswith("at_")]
    assert found == pytest.approx(expected, abs=0.05)
    nr = (expected[-1] + 8.0) / 1.03  # ISO/R 1996:1971 at 8 kHz: L = -8.0 + 1.03 NR
    assert row["nr"] == pytest.approx(nr, abs=0.05)


def test_harmonics_keep_their_levels_through_the_microphones_correction() -> None:
    orders = [0.01, 0.003]
    parts = [ImpulseResponse(a * flight(FLAT), RATE) for a in orders]
    takes = {("left", "sofa"): take(parts)}
    plain = seen("distortion", subject([FLAT], takes=takes))
    row = next(item for item in plain["octaves"] if item["centre_hz"] == 1000)
    assert row["order_2_db"] == pytest.approx(-40, abs=0.05)
    assert row["order_3_db"] == pytest.approx(20 * np.log10(0.003), abs=0.05)
    assert row["order_4_db"] is None
    assert row["total_percent"] == pytest.approx(100 * np.hypot(*orders), rel=0.01)
    # 1 per full scale at -30 dB for 1 Pa, played at -12 dB
    assert row["level_db"] == pytest.approx(FULL_SCALE_DB + 30 - 12, abs=0.05)
    tilted = MicrophoneCorrection(np.array([20.0, 1000.0, 2000.0, 24e3]), np.array([0, 0, 6.0, 6]))
    with_it = seen("distortion", subject([FLAT], takes=takes, correction=tilted))
    row = next(item for item in with_it["octaves"] if item["centre_hz"] == 4000)
    assert row["order_2_db"] == pytest.approx(-40, abs=0.1)
    low = line(with_it, "order_2_db")[np.argmin(np.abs(axis(with_it) - 1000.0))]
    assert low == pytest.approx(-46, abs=0.3)  # the second order of 1 kHz was read 6 dB too high


def test_the_noise_floor_of_a_harmonic_is_what_noise_leaves_in_it() -> None:
    """Play nothing but noise of a known density into the deconvolution, and compare."""
    from roomtune.report.view_distortion import recovered_noise
    from roomtune.signal.deconvolution import deconvolve

    random = np.random.default_rng(5)
    sigma = 1e-3
    kept = replace(take(noise=sigma**2 / RATE), level_dbfs=0.0)
    heard = sigma * random.standard_normal((6, kept.stimulus.sample_count + 96000))
    found = deconvolve(heard, kept.stimulus, 0.5)
    second = found.harmonics[0]
    whole = second.response()
    power = np.mean(np.abs(whole.values) ** 2, axis=0)
    made = system(seats=1)
    plain = made.model_copy(update={"microphone": Microphone()})
    measured = measured_from_responses(plain, ImpulseResponse(flight(FLAT)[None, None], RATE))
    density = recovered_noise(Subject(plain, measured), kept)
    length = second.samples.shape[-1]
    for low, high in ((100, 200), (1000, 2000), (5000, 10000)):
        inside = (whole.frequencies_hz > low) & (whole.frequencies_hz < high)
        expected = density.at(whole.frequencies_hz[inside]) * RATE * length
        # the window of the order spans all but its fades: a little less than its length
        assert np.mean(power[inside]) / np.mean(expected) == pytest.approx(0.87, abs=0.13)


def test_range_in_the_room_of_a_known_high_pass() -> None:
    s = 1j * GRID / 20
    high_pass = s**2 / (s**2 + np.sqrt(2) * s + 1)
    made = system("woofer", (10.0, 4000.0), 1)
    (row,) = seen("range", subject([high_pass], made))["outputs"]
    for drop in (3, 6, 10):
        expected = 20 / (10 ** (drop / 10) - 1) ** 0.25
        assert row[f"lowest_{drop}_db_hz"] == pytest.approx(expected, rel=0.06)
    assert row["clean_level_dbfs"] is None
    assert row["usable_to_hz"] > 3500


def test_a_driver_is_usable_from_the_rooms_noise_up_to_its_distortion() -> None:
    """White noise of density N in the band, against the mean square of a full-scale sine, 1/2.

    In the recording 1 Pa is -30 dB. Order 2 at -40 dB, played at -12 dB, reaches its limit of
    -30 dB when it is played 10 dB louder.
    """
    density = 2e-16
    parts = [ImpulseResponse(0.01 * flight(FLAT), RATE)]
    takes = {("left", "sofa"): take(parts, noise=density)}
    (row,) = seen("range", subject([FLAT], takes=takes))["outputs"]
    noise = 2 * density * 1000 * (20000 - 40)
    assert row["quiet_level_dbfs"] == pytest.approx(10 * np.log10(noise / 0.5), abs=0.05)
    assert row["clean_level_dbfs"] == pytest.approx(-12 + 10, abs=0.1)


def test_a_box_at_the_cone_is_told_with_what_its_data_promise() -> None:
    """Worked example: fs 35 Hz, Qts 0.65, Vas 45 l in 30 l gives fc 55.34 Hz, Qtc 1.0277."""
    s = 1j * np.maximum(GRID, 1e-6) / 55.3399
    speaker = s**2 / (s**2 + s / 1.02774 + 1)
    data = DriverData(resonance_hz=35, total_q=0.65, equivalent_volume_l=45)
    made = system("woofer", (20.0, 2000.0), 1, data=data, enclosure=Enclosure(volume_l=30))
    near = subject([speaker], made).measured
    view = VIEWS["box"].look(subject([FLAT], made, near=near))
    (row,) = as_plain(view)["boxes"]
    assert row["resonance_hz"] == pytest.approx(55.34, rel=0.01)
    assert row["total_q"] == pytest.approx(1.028, rel=0.03)
    assert (row["expected_hz"], row["expected_q"]) == pytest.approx((55.3399, 1.02774), rel=1e-4)
    assert row["volume_l"] == pytest.approx(30, rel=0.03)
    assert view.sheets[0].remarks == ()
    wrong = made.model_copy(
        update={
            "outputs": (made.outputs[0].model_copy(update={"enclosure": Enclosure(volume_l=60)}),)
        }
    )
    told = VIEWS["box"].look(subject([FLAT], wrong, near=near)).sheets[0].remarks
    assert any("acts smaller than stated" in text for text in told)


def test_a_room_in_the_way_of_a_box_is_said_and_nothing_is_stated() -> None:
    random = np.random.default_rng(2)
    times = np.arange(COUNT) / RATE
    tail = np.fft.rfft(0.05 * random.standard_normal(COUNT) * 10 ** (-3 * times / 0.5), 2 * COUNT)
    view = VIEWS["box"].look(subject([1 + tail], system("woofer", (20.0, 2000.0), 1)))
    assert as_plain(view)["boxes"][0]["resonance_hz"] is None
    assert "--near" in view.sheets[0].remarks[0]


def test_seats_that_hear_the_same_share_everything_and_others_do_not() -> None:
    alike = seen("seats", subject([FLAT, 2 * FLAT]))
    assert alike["spread"][0]["at_1000_hz_db"] == pytest.approx(20 * np.log10(2) / 2, abs=0.01)
    # (1 + 2)^2 / 4 over (1 + 4) / 2
    assert alike["coherence"][0]["at_1000_hz_share"] == pytest.approx(0.9, abs=0.001)
    reversed_ = seen("seats", subject([FLAT, -FLAT]))
    assert reversed_["coherence"][0]["at_1000_hz_share"] == pytest.approx(0, abs=1e-3)
    average = line(alike, "average_db", "")
    assert np.nanmedian(average) == pytest.approx(FULL_SCALE_DB + 10 * np.log10(2.5), abs=0.01)
    aligned = line(alike, "aligned_average_db", "")
    assert np.nanmedian(aligned) == pytest.approx(FULL_SCALE_DB + 20 * np.log10(1.5), abs=0.01)


def test_a_resonance_alike_at_both_seats_is_correctable_and_a_private_notch_is_not() -> None:
    s = 1j * GRID / 1000
    bump = (s**2 + s * 0.8 + 1) / (s**2 + s * 0.4 + 1)
    echo = 1 + 1.05 * np.exp(-2j * np.pi * GRID * 0.0021)
    alike = seen("correctable", subject([bump, bump]))["correctable"][0]
    private = seen("correctable", subject([bump, bump * echo]))["correctable"][0]
    assert alike["at_1000_hz_share"] > 0.9
    assert private["at_1000_hz_share"] < 0.7


KEYS = {
    "overview": {
        "outputs": "output arrival_ms arrival_uncertainty_ms polarity polarity_confidence level_db "
        "low_hz high_hz",
    },
    "response": {"octaves": "output seat"},
    "pressure": {
        "levels": "output seat plain_db c_weighted_db a_weighted_db highest_db one_metre_db data_db"
    },
    "direct": {"gates": "output seat gate_ms lowest_valid_hz ends_at joined_hz"},
    "phase": {"excess_group_delay": "output seat"},
    "time": {
        "arrivals": "output seat arrival_ms arrival_uncertainty_ms polarity polarity_confidence "
        "peak_after_arrival_ms",
    },
    "fading": {"fall_times": "output seat"},
    "decay": {
        "bands": "output seat centre_hz band edt_s edt_valid t20_s t20_valid t20_uncertainty_s "
        "t30_s t30_valid t30_uncertainty_s curvature_percent c50_db c80_db d50 centre_time_ms "
        "range_db",
    },
    "reflections": {
        "reflections": "output seat delay_ms level_db path_difference_m lowest_comb_hz surface "
        "caution path_error_m spectrum_from_hz tilt_db",
    },
    "range": {
        "outputs": "output lowest_3_db_hz lowest_6_db_hz lowest_10_db_hz plays_from_hz "
        "plays_to_hz usable_from_hz usable_to_hz quiet_level_dbfs clean_level_dbfs "
        "clean_limit_at_hz",
    },
}


@pytest.mark.parametrize("view", list(KEYS))
def test_the_keys_that_programs_read_stay(view) -> None:
    """Every key holds its unit; those of single octaves are at_1000_hz_db and the like."""
    later = (2 * np.sqrt(2) - 2) / 343.2
    plain = seen(view, subject([1 + 0.5 * np.exp(-2j * np.pi * GRID * later)]))
    for name, keys in KEYS[view].items():
        found = [key for key in plain[name][0] if not key.startswith("at_")]
        assert found == keys.split()


def test_levels_become_pressure_with_the_sensitivity_and_stay_without() -> None:
    made = system(seats=1)
    recorded = measured_from_responses(made, ImpulseResponse(flight(FLAT)[None, None], RATE))
    pressure = as_pressure(recorded, -30.0)
    assert pressure.responses.unit == "Pa"
    assert np.max(pressure.responses.samples) == pytest.approx(10**1.5, rel=0.2)
    assert pressure.deviation == pytest.approx(recorded.deviation * 10**1.5)
    assert as_pressure(recorded, None) is recorded
    plain = Subject(made, recorded)
    assert (plain.level_unit, plain.offset_db) == ("dB re full scale", 0.0)
    told = VIEWS["pressure"].look(plain).sheets[0]
    assert any("sensitivity is not known" in text for text in told.remarks)
