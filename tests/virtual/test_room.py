"""The virtual room plays, records and tells the truth."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.errors import RoomtuneError
from roomtune.processor.rendering import render
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.system.model import AudioSettings, Playback, System
from roomtune.virtual import Scenario, VirtualRoom
from roomtune.virtual.acoustics import DURATION_S

RATE = 48000


def burst(outputs: int, *columns: int, level: float = 0.2, samples: int = 24000) -> np.ndarray:
    """Band-limited noise on some interface outputs (0-based), with silent ends."""
    generator = np.random.default_rng(11)
    spectrum = np.fft.rfft(generator.standard_normal((samples, len(columns))), axis=0)
    spectrum[: samples // 2000] = 0
    spectrum[samples // 3 :] = 0
    noise = np.fft.irfft(spectrum, samples, axis=0) * np.hanning(samples)[:, None]
    signals = np.zeros((samples, outputs))
    signals[:, list(columns)] = level * noise / np.abs(noise).max()
    return signals


def convolved(signal: np.ndarray, response: np.ndarray, samples: int) -> np.ndarray:
    length = len(signal) + len(response)
    spectrum = np.fft.rfft(signal, length) * np.fft.rfft(response, length)
    return np.fft.irfft(spectrum, length)[:samples]


def test_quiet_recording_is_the_signal_through_the_truth(garden_room: VirtualRoom) -> None:
    room = garden_room.quiet()
    room.move_microphone("armchair")
    signals = burst(10, 0, 6)
    recording = room.play_and_record(signals, [1])
    assert recording.sample_rate_hz == RATE
    assert recording.samples.shape == (24000 + RATE, 1)
    expected = sum(
        convolved(signals[:, k], room.truth(name, "armchair", True).samples, 24000 + RATE)
        for k, name in ((0, "left-woofer"), (6, "left-surround"))
    )
    error = np.abs(recording.samples[:, 0] - expected).max()
    assert error < 1e-12


def test_truth_in_pascal_times_sensitivity_is_what_the_microphone_holds(
    garden_room: VirtualRoom,
) -> None:
    """The microphone is flat around 300 Hz: only its sensitivity is between the two."""
    pressure = garden_room.truth("left-woofer", "middle")
    held = garden_room.truth("left-woofer", "middle", with_microphone=True)
    assert (pressure.unit, held.unit) == ("Pa", "full scale")
    at = np.array([300.0])
    ratio = held.response_at(at).values / pressure.response_at(at).values
    assert 20 * np.log10(np.abs(ratio[0])) == pytest.approx(-30.0, abs=0.15)


def test_direct_sound_comes_at_distance_plus_delay(garden_room: VirtualRoom) -> None:
    """Excess phase apart: the tweeter's rise stands within 40 us of distance over speed."""
    for output, late_ms in (("left-tweeter", 0.0), ("left-surround", 1.7)):
        radiator = garden_room.chain.radiators[output]
        distance = np.linalg.norm(np.subtract(radiator.position_m, (3.60, 2.13, 1.10)))
        samples = np.abs(garden_room.truth(output, "middle").samples)
        rise = np.flatnonzero(samples > 0.3 * samples.max())[0] / RATE
        assert rise == pytest.approx(distance / 343.2 + late_ms * 1e-3, abs=4e-5)


def test_reversed_driver_and_gain_error_are_in_the_truth(
    garden: Scenario, garden_system: System, garden_room: VirtualRoom
) -> None:
    mended = tuple(
        item.model_copy(update={"reversed": False, "gain_error_db": 0.0}) for item in garden.output
    )
    healthy = VirtualRoom(garden.model_copy(update={"output": mended}), garden_system)
    faulty = garden_room.truth("centre-woofer", "left").samples
    sound = healthy.truth("centre-woofer", "left").samples
    np.testing.assert_allclose(faulty, -(10 ** (3.4 / 20)) * sound, atol=1e-12)


def test_level_at_one_metre_is_the_sensitivity(garden: Scenario, garden_system: System) -> None:
    """Free-field part of a woofer near 250 Hz: 88 dB for 2.83 V, 20 V at full scale.

    Direct sound only, cut out of the response 1 m in front of the driver, where
    the first reflection comes 3 ms later.
    """
    from roomtune.virtual.drivers import driver_response, pressure_per_full_scale_pa

    driver = garden.driver_named("woofer-18")
    assert garden.output[0].full_scale_v == 20.0
    at = np.array([2000.0])
    near = (1.58, 0.95, 0.9)
    seat = garden_system.seats[0].model_copy(update={"position_m": near})
    system = garden_system.model_copy(update={"seats": (seat, *garden_system.seats[1:])})
    loudspeaker = garden.loudspeaker[0].model_copy(
        update={"name": "left", "position_m": (0.60, 0.95, 1.0), "aim_m": near}
    )
    scenario = garden.model_copy(update={"loudspeaker": (*garden.loudspeaker, loudspeaker)})
    truth = VirtualRoom(scenario, system).truth("left-woofer", "middle")
    window = np.zeros(RATE)
    window[:230] = 1
    window[230:250] = np.linspace(1, 0, 20)
    level = np.abs(np.fft.rfft(truth.samples * window)[2000])
    expected = pressure_per_full_scale_pa(88.0, 20.0) * np.abs(driver_response(driver, at))[0]
    assert 20 * np.log10(level / expected) == pytest.approx(0.0, abs=0.4)


def test_same_seed_and_calls_give_the_same_recordings(
    garden: Scenario, garden_system: System
) -> None:
    signals = burst(2, 0)
    one, two, other = (VirtualRoom(garden, garden_system, seed) for seed in (3, 3, 4))
    for _ in range(2):
        first, second = one.play_and_record(signals, [1]), two.play_and_record(signals, [1])
        np.testing.assert_array_equal(first.samples, second.samples)
    assert len(other.play_and_record(signals, [1]).samples) != len(first.samples)


def test_latency_differs_from_call_to_call(garden: Scenario, garden_system: System) -> None:
    room = VirtualRoom(garden, garden_system, noise=False, drift=False, nonlinearity=False)
    signals = burst(2, 1)
    plain = room.quiet().play_and_record(signals, [1]).samples[:, 0]
    lags = []
    for _ in range(4):
        late = room.play_and_record(signals, [1]).samples[:, 0]
        lags.append(len(late) - len(plain))
        np.testing.assert_allclose(late[lags[-1] :], plain, atol=1e-12)
        assert not late[: lags[-1]].any()
    assert len(set(lags)) == 4
    low, high = garden.streams.latency_ms
    assert all(low * 48 - 1 <= lag <= high * 48 + 1 for lag in lags)


def test_a_recording_may_begin_late(garden: Scenario, garden_system: System) -> None:
    streams = garden.streams.model_copy(update={"latency_ms": (-20.0, -20.0)})
    scenario = garden.model_copy(update={"streams": streams})
    room = VirtualRoom(scenario, garden_system, noise=False, drift=False, nonlinearity=False)
    signals = burst(2, 1)
    plain = room.quiet().play_and_record(signals, [1]).samples
    late = room.play_and_record(signals, [1]).samples
    np.testing.assert_allclose(late, plain[960:], atol=1e-12)


def test_drift_stretches_the_recording(garden: Scenario, garden_system: System) -> None:
    """A tone of 997 Hz comes out at 997 / (1 + drift) Hz in the microphone's samples."""
    streams = garden.streams.model_copy(update={"drift_ppm": 80.0, "drift_wander_ppm": 0.0})
    scenario = garden.model_copy(update={"streams": streams})
    room = VirtualRoom(scenario, garden_system, noise=False, nonlinearity=False, latency=False)
    seconds = 4
    tone = 0.05 * np.sin(2 * np.pi * 997.0 * np.arange(seconds * RATE) / RATE)
    recorded = room.play_and_record(tone[:, None], [1]).samples[:, 0]
    assert len(recorded) == pytest.approx((seconds + 1) * RATE * (1 + 80e-6), abs=1.5)
    steady = recorded[RATE : seconds * RATE]
    analytic = steady * np.exp(-2j * np.pi * 997.0 * np.arange(len(steady)) / RATE)
    blocks = analytic.reshape(30, -1).mean(axis=1)
    turns = np.unwrap(np.angle(blocks)) / (2 * np.pi)
    slope_hz = np.polyfit(np.arange(30) * len(steady) / 30 / RATE, turns, 1)[0]
    assert slope_hz / 997.0 * 1e6 == pytest.approx(-80.0, abs=0.5)


def test_noise_is_on_the_microphone_only(garden_room: VirtualRoom) -> None:
    recording = garden_room.play_and_record(np.zeros((RATE, 2)), [2, 1])
    assert not recording.samples[:, 0].any()
    level = 20 * np.log10(recording.samples[:, 1].std())
    assert -95 < level < -80


def test_working_level_stands_fifty_db_above_the_noise(garden_room: VirtualRoom) -> None:
    """Octave around 1 kHz at the main seat: tweeter at its limit of -18 dBFS against noise."""
    truth = garden_room.truth("left-tweeter", "middle", True).response()
    band = (truth.frequencies_hz > 1400) & (truth.frequencies_hz < 2800)
    gain = np.sqrt((np.abs(truth.values[band]) ** 2).mean())
    signal_db = 20 * np.log10(gain * 10 ** (-18 / 20) / np.sqrt(2))
    silence = garden_room.play_and_record(np.zeros((5 * RATE, 1)), [1]).samples[:, 0]
    spectrum = np.fft.rfft(silence) / len(silence)
    frequencies = np.fft.rfftfreq(len(silence), 1 / RATE)
    inside = (frequencies > 1400) & (frequencies < 2800)
    noise_db = 10 * np.log10(2 * (np.abs(spectrum[inside]) ** 2).sum())
    assert signal_db - noise_db > 50


def test_distortion_is_that_of_the_polynomial(garden: Scenario, garden_system: System) -> None:
    """Second harmonic of a tone: a2 A / 2 of it at the driver's input (x + a2 x^2)."""
    room = VirtualRoom(garden, garden_system, noise=False, drift=False, latency=False)
    tone = 0.5 * np.sin(2 * np.pi * 1000.0 * np.arange(2 * RATE) / RATE)
    difference = (
        room.play_and_record(tone[:, None], [1]).samples
        - room.quiet().play_and_record(tone[:, None], [1]).samples
    )[RATE : 2 * RATE, 0]
    spectrum = 2 * np.abs(np.fft.rfft(difference)) / RATE
    gain = np.abs(room.truth("left-woofer", "middle", True).response().values)
    driver = garden.driver_named("woofer-18")
    second = driver.second_order * 0.5**2 / 2
    third = driver.third_order * 0.5**3 / 4
    assert spectrum[2000] / gain[2000] == pytest.approx(second, rel=1e-3)
    assert spectrum[3000] / gain[3000] == pytest.approx(third, rel=1e-3)
    assert spectrum[4500:].max() < 1e-9


def test_loopback_hears_its_output_as_late_as_the_microphone(
    garden: Scenario, garden_system: System
) -> None:
    audio = AudioSettings(loopback_output=12, loopback_input=2)
    system = garden_system.model_copy(update={"audio": audio})
    room = VirtualRoom(garden, system, drift=False)
    signals = np.zeros((4800, 12))
    signals[:, 11] = burst(1, 0, samples=4800)[:, 0]
    recording = room.play_and_record(signals, [1, 2])
    lead = len(recording.samples) - 4800 - RATE
    converted = np.rint(signals[:, 11] * 2**23) / 2**23
    np.testing.assert_array_equal(recording.samples[lead : lead + 4800, 1], converted)
    assert np.abs(recording.samples[:, 0]).max() < 1e-3  # no driver is wired to that output


def test_miswired_output_plays_where_it_is_wired(garden: Scenario, garden_system: System) -> None:
    crossed = {"left-tweeter": 4, "right-tweeter": 2}
    outputs = tuple(
        item.model_copy(update={"interface_output": crossed.get(item.name)})
        for item in garden.output
    )
    room = VirtualRoom(garden.model_copy(update={"output": outputs}), garden_system).quiet()
    signals = burst(4, 1)
    recorded = room.play_and_record(signals, [1]).samples[:, 0]
    expected = convolved(
        signals[:, 1], room.truth("right-tweeter", "middle", True).samples, len(recorded)
    )
    np.testing.assert_allclose(recorded, expected, atol=1e-12)


def test_by_hand_output_plays_only_when_switched_to(
    garden: Scenario, garden_system: System
) -> None:
    by_hand = Playback(interface_output=1, by_hand=True, instruction="turn the knob to 2")
    outputs = tuple(
        item.model_copy(update={"playback": by_hand}) if item.name.startswith("left-") else item
        for item in garden_system.outputs
    )
    room = VirtualRoom(garden, garden_system.model_copy(update={"outputs": outputs})).quiet()
    signals = burst(1, 0)
    assert not room.play_and_record(signals, [1]).samples.any()
    room.switch_to("left-tweeter")
    recorded = room.play_and_record(signals, [1]).samples[:, 0]
    truth = room.truth("left-tweeter", "middle", True).samples
    np.testing.assert_allclose(recorded, convolved(signals[:, 0], truth, len(recorded)), atol=1e-12)
    with pytest.raises(RoomtuneError, match="no output 'horn'"):
        room.switch_to("horn")


def two_way_tuning() -> Tuning:
    """The right loudspeaker on channel R, with everything that a tuning can hold."""
    low = Filter("low pass", frequency_hz=2200.0, family="Linkwitz-Riley", order=4)
    high = Filter("high pass", frequency_hz=2200.0, family="Linkwitz-Riley", order=4)
    return Tuning(
        RATE,
        (
            ChannelSetting("R", -3.0, (Filter("peaking", 800.0, q=2.0, gain_db=-4.0),)),
            ChannelSetting("L"),
        ),
        (Route("R", "right-woofer"), Route("R", "right-tweeter", -2.0, inverted=True)),
        (
            OutputSetting("right-tweeter", 4, -1.5, filters=(high,)),
            OutputSetting("right-woofer", 3, inverted=True, delay_ms=0.5, filters=(low,)),
        ),
    )


def test_tuning_is_applied_exactly(garden_room: VirtualRoom) -> None:
    """Channel R comes on interface output 2 and leaves by both drivers."""
    room, tuning = garden_room.quiet(), two_way_tuning()
    room.apply(tuning)
    signals = burst(6, 1)
    recorded = room.play_and_record(signals, [1]).samples[:, 0]
    programme = np.zeros((24000 + RATE, 2))
    programme[:24000, 0] = signals[:, 1]
    tweeter, woofer = render(tuning, programme).T
    expected = sum(
        convolved(signal, room.truth(name, "middle", True).samples, 24000 + RATE)
        for name, signal in (("right-tweeter", tweeter), ("right-woofer", woofer))
    )
    np.testing.assert_allclose(recorded, expected, atol=1e-12)
    assert np.abs(recorded).max() > 1e-3


def test_channel_truth_is_what_a_channel_becomes(garden_room: VirtualRoom) -> None:
    room = garden_room.quiet()
    with pytest.raises(ValueError, match="apply a tuning first"):
        room.channel_truth("R", "middle")
    room.apply(two_way_tuning())
    signals = burst(6, 1)
    recorded = room.play_and_record(signals, [1]).samples[:, 0]
    truth = room.channel_truth("R", "middle", True)
    expected = convolved(signals[:, 1], truth.samples, len(recorded))
    np.testing.assert_allclose(recorded, expected, atol=1e-10)


def test_tunings_that_do_not_fit_are_refused(garden_room: VirtualRoom) -> None:
    with pytest.raises(RoomtuneError, match="44100 Hz"):
        garden_room.apply(Tuning(44100))
    with pytest.raises(RoomtuneError, match="the output 'tuba'"):
        garden_room.apply(Tuning(RATE, outputs=(OutputSetting("tuba", 1),)))
    with pytest.raises(RoomtuneError, match="the channel 'Top'"):
        garden_room.apply(Tuning(RATE, channels=(ChannelSetting("Top"),)))


def test_rearranged_room_keeps_the_tuning_and_changes_the_sound(garden_room: VirtualRoom) -> None:
    garden_room.move_microphone("left")
    garden_room.apply(two_way_tuning())
    after = garden_room.rearranged("sofa moved")
    assert (after.seat, after.applied) == ("left", garden_room.applied)
    before = garden_room.truth("right-woofer", "middle").samples
    later = after.truth("right-woofer", "middle").samples
    first = [np.abs(samples).argmax() for samples in (before, later)]
    assert first[1] - first[0] == pytest.approx(0.37 / 343.2 * RATE, abs=8)  # farther away


def test_microphone_moves_only_to_known_seats(garden_room: VirtualRoom) -> None:
    with pytest.raises(RoomtuneError, match=r"no seat 'stool'.*armchair"):
        garden_room.move_microphone("stool")
    assert garden_room.seat == "middle"


@pytest.mark.parametrize(
    "signals", [np.zeros(100), np.zeros((0, 2)), np.full((10, 2), np.nan), np.full((9, 1), np.inf)]
)
def test_signals_of_a_wrong_kind_are_refused(garden_room: VirtualRoom, signals: np.ndarray) -> None:
    with pytest.raises(ValueError, match="signals"):
        garden_room.play_and_record(signals, [1])


def test_response_has_died_away_within_its_duration(garden_room: VirtualRoom) -> None:
    assert DURATION_S == 1.0
    for output in ("left-woofer", "sub-front", "right-surround"):
        energy = garden_room.truth(output, "middle").samples ** 2
        assert energy[-4800:].sum() < 1e-6 * energy.sum()


def test_microphone_may_stand_beside_a_seat(garden_room: VirtualRoom) -> None:
    """Ten centimetres nearer to the loudspeaker: the direct sound comes 0.27 ms earlier."""
    room = garden_room.quiet()
    signals = np.zeros((2400, 2))
    signals[0, 1] = 0.5
    on_seat = np.abs(room.play_and_record(signals, [1]).samples[:, 0]).argmax()
    room.move_microphone("middle", (-0.10, 0.0, 0.0))
    assert room.seat == "middle"
    beside = np.abs(room.play_and_record(signals, [1]).samples[:, 0]).argmax()
    nearer = np.linalg.norm([3.0, 1.18, 0.03]) - np.linalg.norm([2.9, 1.18, 0.03])
    assert on_seat - beside == pytest.approx(nearer / 343.2 * RATE, abs=1.0)
    with pytest.raises(RoomtuneError, match="outside the room"):
        room.move_microphone("middle", (0.0, 3.0, 0.0))


@pytest.mark.parametrize("rate", [44100, 96000])
def test_truth_hardly_depends_on_the_sample_rate(
    garden: Scenario, garden_system: System, garden_room: VirtualRoom, rate: int
) -> None:
    """The same room within 0.1 dB rms from 30 Hz to 16 kHz, whatever the interface runs at."""
    system = garden_system.model_copy(
        update={"audio": AudioSettings(sample_rate_hz=rate), "seats": garden_system.seats[:1]}
    )
    truth = VirtualRoom(garden, system).truth("left-surround", "middle")
    assert truth.sample_rate_hz == rate
    at = np.geomspace(60, 16000, 400)
    one = truth.response_at(at).values
    other = garden_room.truth("left-surround", "middle").response_at(at).values
    assert np.sqrt((np.abs(one - other) ** 2).mean() / (np.abs(other) ** 2).mean()) < 0.012


def test_all_truths_are_in_the_order_of_the_system(garden_room: VirtualRoom) -> None:
    everything = garden_room.all_truths()
    assert everything.samples.shape == (10, 4, RATE)
    one = garden_room.truth("right-woofer", "armchair").samples
    np.testing.assert_array_equal(everything.samples[2, 3], one)
