"""roomtune devices, on stand-in hardware."""

from __future__ import annotations

import json
import sys
import types

import pytest


class PortAudioError(Exception):
    pass


DEVICES = (  # name, host API, inputs, outputs, default rate, rates taken shared, alone
    ("Interface 8x8", 0, 8, 8, 48000, {44100, 48000, 96000}, {48000}),
    ("USB microphone", 0, 1, 0, 48000, {48000}, set()),
    ("Headset", 1, 1, 2, 44100, set(), set()),
)


@pytest.fixture
def sound(monkeypatch):
    made = types.ModuleType("sounddevice")
    made.PortAudioError = PortAudioError
    made.WasapiSettings = lambda exclusive: exclusive
    made.query_hostapis = lambda: tuple(
        {"name": name, "default_input_device": first, "default_output_device": 0}
        for name, first in (("Windows WASAPI", 1), ("MME", 2))
    )
    made.query_devices = lambda: [
        {
            "index": number,
            "name": name,
            "hostapi": host,
            "max_input_channels": inputs,
            "max_output_channels": outputs,
            "default_samplerate": float(rate),
        }
        for number, (name, host, inputs, outputs, rate, _, _) in enumerate(DEVICES)
    ]

    def check(device, channels, dtype, samplerate, extra_settings=None):
        *_, shared, alone = DEVICES[device]
        if device == 2:
            raise PortAudioError("Device unavailable")
        if samplerate not in (alone if extra_settings else shared):
            raise PortAudioError("Invalid sample rate")

    made.check_input_settings = made.check_output_settings = check
    monkeypatch.setitem(sys.modules, "sounddevice", made)
    return made


def test_rates_modes_and_refusals_are_told(run, sound) -> None:
    told = json.loads(run("devices", "--json").stdout)
    interface, microphone, headset = told
    assert interface["rates_hz"] == {
        "output": [44100, 48000, 96000],
        "input": [44100, 48000, 96000],
    }
    assert interface["modes"] == ["shared", "exclusive"]
    assert microphone["rates_hz"] == {"input": [48000]}
    assert microphone["modes"] == ["shared"]
    assert headset["refused"] == {"output": "Device unavailable", "input": "Device unavailable"}


def test_the_list_says_what_works(run, sound) -> None:
    result = run("devices")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[:2] == [
        "0: Interface 8x8, Windows WASAPI",
        "   8 outputs at 44.1 48 96 kHz; 8 inputs at 44.1 48 96 kHz; shared or exclusive; "
        "usual output",
    ]
    assert lines[3] == "   1 input at 48 kHz; shared; usual input"
    assert "2 outputs, DO NOT OPEN (Device unavailable)" in lines[5]
    assert "Next: put a name into system.toml" in result.output


def test_without_any_device_files_are_offered(run, sound) -> None:
    sound.query_devices = lambda: []
    assert "measure through files" in run("devices").output
