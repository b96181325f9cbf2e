"""The PortAudio interface against stand-in streams that misbehave on demand.

The real library on real servers is tested in tests/audio_server.
"""

from __future__ import annotations

import sys
import threading
import time
import types

import numpy as np
import pytest

from roomtune.capture import devices, portaudio, streams
from roomtune.capture.passage import Passage
from roomtune.capture.portaudio import PortAudioInterface
from roomtune.errors import MeasurementError, RoomtuneError

BLOCK = 256
RATE_HZ = 8000


class Flags:
    input_underflow = input_overflow = output_underflow = output_overflow = False

    def __init__(self, *raised: str) -> None:
        for name in raised:
            setattr(self, name, True)

    def __bool__(self) -> bool:
        return any(vars(self).values())


class PortAudioError(Exception):
    pass


class Hardware:
    """A cable from output 1 to input 1, on one device or two."""

    def __init__(self) -> None:
        self.devices = [("cable", 2, 4), ("player", 0, 2), ("recorder", 1, 0)]
        self.rates = (8000, 48000)
        self.fault = lambda block, heard: (heard, Flags())
        self.speed = 50.0
        self.stop_after_s = float("inf")
        self.stays_active = True
        self.refuse_to_open = 0
        self.heard_by_loudspeaker: list[np.ndarray] = []
        self.on_wire = np.zeros(0)
        self.opened: list[dict] = []


class Stream:
    """A stream whose callback a thread calls, `speed` times as fast as real time."""

    def __init__(self, hardware: Hardware, kind: str, options: dict) -> None:
        if hardware.refuse_to_open:
            hardware.refuse_to_open -= 1
            raise PortAudioError("Device unavailable")
        self.hardware, self.kind, self.options = hardware, kind, options
        self.active = False
        hardware.opened.append({"kind": kind, **options})
        self.thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self.active = True
        self.thread.start()

    def _run(self) -> None:
        hardware, callback = self.hardware, self.options["callback"]
        channels = self.options["channels"]
        ins, outs = channels if self.kind == "both" else (channels, channels)
        block = 0
        while self.active:
            if block * BLOCK / RATE_HZ >= hardware.stop_after_s:
                self.active = hardware.stays_active
                return
            played = np.full((BLOCK, outs), np.nan, np.float32)
            heard = np.zeros((BLOCK, ins), np.float32)
            if self.kind == "both":
                heard[:] = 1e-5
                heard, flags = hardware.fault(block, heard)
                callback(heard, played, BLOCK, None, flags)
                hardware.heard_by_loudspeaker.append(played)
            elif self.kind == "in":
                heard[:] = 1e-5
                heard, flags = hardware.fault(block, heard)
                callback(heard, BLOCK, None, flags)
            else:
                callback(played, BLOCK, None, Flags())
                hardware.heard_by_loudspeaker.append(played)
            block += 1
            time.sleep(BLOCK / RATE_HZ / hardware.speed)

    def abort(self) -> None:
        self.active = False
        if self.thread.is_alive():
            self.thread.join()

    def close(self) -> None:
        self.active = False


@pytest.fixture
def hardware(monkeypatch):
    made = Hardware()
    sound = types.ModuleType("sounddevice")
    sound.PortAudioError = PortAudioError
    sound._terminate = sound._initialize = lambda: None
    sound.query_hostapis = lambda: (
        {"name": "Test API", "default_input_device": 0, "default_output_device": 0},
    )
    sound.query_devices = lambda: [
        {
            "index": number,
            "name": name,
            "hostapi": 0,
            "max_input_channels": inputs,
            "max_output_channels": outputs,
            "default_samplerate": 48000.0,
        }
        for number, (name, inputs, outputs) in enumerate(made.devices)
    ]

    def check(device, channels, dtype, samplerate, extra_settings=None):
        if samplerate not in made.rates:
            raise PortAudioError("Invalid sample rate")

    sound.check_input_settings = sound.check_output_settings = check
    sound.Stream = lambda **options: Stream(made, "both", options)
    sound.InputStream = lambda **options: Stream(made, "in", options)
    sound.OutputStream = lambda **options: Stream(made, "out", options)
    monkeypatch.setitem(sys.modules, "sounddevice", sound)
    monkeypatch.setattr(streams, "_hanging", threading.Event())
    return made


def interface(**options) -> PortAudioInterface:
    return PortAudioInterface(sample_rate_hz=RATE_HZ, lead_in_s=0.1, tail_s=0.2, **options)


def tone(seconds: float = 0.5, outputs: int = 1) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.repeat(0.5 * np.sin(2 * np.pi * 440 * time_s)[:, None], outputs, axis=1)


def test_plays_with_silence_around_and_records_as_long(hardware):
    signal = tone(0.5, 2)
    recording = interface().play_and_record(signal, [1])
    assert recording.samples.shape == (round(0.8 * RATE_HZ), 1)
    assert recording.sample_rate_hz == RATE_HZ
    assert recording.events == ()
    played = np.concatenate(hardware.heard_by_loudspeaker)
    assert played.shape[1] == 4  # the device is opened whole
    expected = np.zeros((len(played), 4))
    expected[800 : 800 + len(signal), :2] = signal
    assert np.array_equal(played, expected.astype(np.float32))


def test_opens_with_free_block_size_and_high_latency(hardware):
    interface().play_and_record(tone(), [2])
    (opened,) = hardware.opened
    assert (opened["blocksize"], opened["latency"], opened["dtype"]) == (0, "high", "float32")
    assert opened["device"] == (0, 0)


def test_two_devices_get_two_streams_and_a_whole_recording(hardware):
    tool = interface(output_device="player", input_device="recorder")
    recording = tool.play_and_record(tone(), [1])
    assert [opened["kind"] for opened in hardware.opened] == ["in", "out"]
    assert len(recording.samples) >= round(0.8 * RATE_HZ)


@pytest.mark.parametrize(
    "signals",
    [
        np.full((100, 1), 1.0001),
        np.full((100, 1), -1.5),
        np.full((100, 1), np.nan),
        np.full((100, 1), np.inf),
        np.zeros(100),
        np.zeros((0, 1)),
    ],
)
def test_signals_beyond_full_scale_or_not_numbers_are_never_played(hardware, signals):
    with pytest.raises(ValueError, match=r"signals"):
        interface().play_and_record(signals, [1])
    assert not hardware.opened


def test_full_scale_itself_is_allowed(hardware):
    interface().play_and_record(np.ones((100, 1)), [1])
    assert np.max(np.concatenate(hardware.heard_by_loudspeaker)) == 1


@pytest.mark.parametrize(
    ("outputs", "inputs", "text"),
    [(5, [1], "Interface output 5 .* only 4 outputs"), (1, [3], "Interface input 3 .* only 2")],
)
def test_numbers_that_the_device_does_not_have(hardware, outputs, inputs, text):
    with pytest.raises(RoomtuneError, match=text):
        interface().play_and_record(tone(0.1, outputs), inputs)
    assert not hardware.opened


@pytest.mark.parametrize("inputs", [[], [0], [1, -1]])
def test_inputs_count_from_one(hardware, inputs):
    with pytest.raises(ValueError, match="from 1"):
        interface().play_and_record(tone(0.1), inputs)


def test_a_refused_rate_tells_what_is_taken(hardware):
    with pytest.raises(RoomtuneError) as caught:
        PortAudioInterface(sample_rate_hz=96000)
    assert str(caught.value) == (
        "The output device 'cable, Test API' refuses 96000 Hz (Invalid sample rate); it takes "
        "48000. Set sample_rate_hz in [audio] accordingly."
    )


def test_flags_become_english_and_do_not_end_the_measurement(hardware):
    hardware.fault = lambda block, heard: (heard, Flags("input_overflow") if block < 3 else Flags())
    recording = interface().play_and_record(tone(), [1])
    (event,) = recording.events
    assert event.startswith("input overflow reported in 3 of ")
    assert recording.flagged_s == (0.0, BLOCK / RATE_HZ, 2 * BLOCK / RATE_HZ)


def test_what_is_recorded_is_told_meanwhile(hardware):
    hardware.speed = 5.0
    sound = interface()
    told = []
    sound.on_recorded = lambda samples: told.append(samples.copy())
    recording = sound.play_and_record(tone(1.0), [1])
    assert len(told) > 2
    heard = np.concatenate(told)[:, 0]
    np.testing.assert_array_equal(heard, recording.samples[:, 0])


def test_a_rate_that_is_not_kept_is_noted(hardware):
    hardware.speed = 2.0
    recording = interface().play_and_record(tone(5.0), [1])
    (event,) = recording.events
    assert "samples per second of wall time instead of 8000" in event


def test_wall_time_is_fitted_through_all_blocks():
    passage = Passage(np.zeros((100, 1), np.float32), 1)
    passage.deliveries = [(0.1 * k, 4410 * k) for k in range(40)]
    assert passage.delivered_rate_hz() == pytest.approx(44100)
    passage.deliveries = passage.deliveries[:15]
    assert passage.delivered_rate_hz() is None


def test_exact_zeros_are_told_as_a_missing_permission(hardware):
    hardware.fault = lambda block, heard: (heard * 0, Flags())
    with pytest.raises(MeasurementError, match=r"digital silence.*Privacy & Security") as caught:
        interface().play_and_record(tone(), [1])
    assert caught.value.exit_status == 1


def test_one_dead_input_of_two_is_named(hardware):
    hardware.fault = lambda block, heard: (heard * np.float32([1, 0]), Flags())
    with pytest.raises(MeasurementError, match=r"^Input 2 of 'cable, Test API' recorded nothing"):
        interface().play_and_record(tone(), [1, 2])
    interface().play_and_record(0 * tone(), [1, 2])  # silence through a digital loopback is right


def test_values_that_are_no_numbers_are_refused(hardware):
    hardware.fault = lambda block, heard: (heard * np.float32(np.nan), Flags())
    with pytest.raises(MeasurementError, match="not numbers"):
        interface().play_and_record(tone(), [1])


def test_an_input_that_goes_dead_on_the_way_is_told(hardware):
    hardware.fault = lambda block, heard: (heard * (block < 20), Flags())
    with pytest.raises(MeasurementError, match=r"went dead 0\.6 s into the recording"):
        interface().play_and_record(tone(2.0), [1])


def test_a_stream_that_ends_by_itself_is_told(hardware):
    hardware.stop_after_s, hardware.stays_active = 0.3, False
    with pytest.raises(MeasurementError, match=r"stopped after 0\.[23] of 0\.8 s: .*'cable"):
        interface().play_and_record(tone(), [1])


def test_a_stream_that_dies_silently_is_noticed(hardware, monkeypatch):
    monkeypatch.setattr(portaudio, "STALLED_S", 0.3)
    hardware.stop_after_s = 0.3
    with pytest.raises(MeasurementError, match=r"its input and output stalled"):
        interface().play_and_record(tone(), [1])


def test_a_stream_that_never_begins_is_noticed(hardware, monkeypatch):
    monkeypatch.setattr(streams, "FIRST_BLOCK_S", 0.2)
    hardware.stop_after_s = 0
    with pytest.raises(MeasurementError, match=r"no input or output came within"):
        interface().play_and_record(tone(), [1])


def test_a_driver_that_crawls_does_not_hold_us_for_ever(hardware, monkeypatch):
    monkeypatch.setattr(portaudio, "FIRST_BLOCK_S", 0.0)
    hardware.speed = 0.3
    with pytest.raises(MeasurementError, match=r"Only 0\.\d of 0\.8 s came"):
        interface().play_and_record(tone(), [1])


def test_a_replugged_device_is_found_under_its_new_number(hardware):
    tool = interface(output_device="cable", input_device="cable")
    hardware.devices.insert(0, ("headset", 1, 2))
    hardware.refuse_to_open = 1
    assert len(tool.play_and_record(tone(), [1]).samples)
    assert hardware.opened[-1]["device"] == (1, 1)


def test_a_device_that_another_program_holds(hardware):
    hardware.refuse_to_open = 2
    with pytest.raises(RoomtuneError, match=r"Cannot open .*Device unavailable.*Another program"):
        interface().play_and_record(tone(), [1])


def test_a_device_that_vanished_and_did_not_come_back(hardware):
    tool = interface(output_device="cable", input_device="cable")
    hardware.devices = [("headset", 1, 2)]
    hardware.refuse_to_open = 1
    with pytest.raises(RoomtuneError, match="No output device fits 'cable, Test API'"):
        tool.play_and_record(tone(), [1])


def test_stop_silences_within_one_block(hardware):
    hardware.speed = 1.0
    tool = interface()
    threading.Timer(0.5, tool.stop).start()
    with pytest.raises(MeasurementError, match=r"was stopped after 0\.\d of 3\.3 s"):
        tool.play_and_record(np.ones((3 * RATE_HZ, 1)), [1])
    assert len(np.concatenate(hardware.heard_by_loudspeaker)) < RATE_HZ


def test_an_interruption_silences_and_goes_on_to_the_caller(hardware, monkeypatch):
    hardware.speed = 1.0
    tool = interface()

    def interrupted(passage, opened):
        passage.ended.wait(0.4)
        raise KeyboardInterrupt

    monkeypatch.setattr(tool, "_wait", interrupted)
    with pytest.raises(KeyboardInterrupt):
        tool.play_and_record(np.ones((3 * RATE_HZ, 1)), [1])
    assert not any(stream.is_alive() for stream in threading.enumerate() if "sound" in stream.name)
    assert len(np.concatenate(hardware.heard_by_loudspeaker)) < RATE_HZ


def test_a_silenced_passage_plays_zeros_from_the_next_block():
    passage = Passage(np.ones((1000, 1), np.float32), 1)
    block = np.empty((100, 2), np.float32)
    passage.on_output(block, 100, None, None)
    assert np.array_equal(block, np.tile([1, 0], (100, 1)))
    passage.silence()
    passage.on_output(block, 100, None, None)
    assert not block.any()


def test_a_driver_that_hangs_while_closing_is_left_alone(hardware, monkeypatch):
    monkeypatch.setattr(streams, "CLOSING_S", 0.1)
    sys.modules["sounddevice"]._exit_handler = lambda: None
    tool = interface()
    release = threading.Event()
    monkeypatch.setattr(Stream, "abort", lambda self: release.wait(5))
    tool.play_and_record(tone(0.1), [1])
    with pytest.raises(MeasurementError, match="hangs since the device was lost"):
        tool.play_and_record(tone(0.1), [1])
    release.set()


def test_exclusive_use_is_asked_of_the_host_apis_that_know_it(monkeypatch):
    sound = types.SimpleNamespace(
        WasapiSettings=lambda **given: ("wasapi", given),
        CoreAudioSettings=lambda **given: ("core audio", given),
    )
    device = types.SimpleNamespace(host_api="Windows WASAPI")
    assert devices.host_settings(sound, device, True) == ("wasapi", {"exclusive": True})
    device.host_api = "Core Audio"
    assert devices.host_settings(sound, device, True)[0] == "core audio"
    assert devices.host_settings(sound, device, False) is None
    device.host_api = "ALSA"
    assert devices.host_settings(sound, device, True) is None
