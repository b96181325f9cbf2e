"""How a person names a sound device, and what is said when that fails."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.capture import devices
from roomtune.capture.devices import (
    Device,
    channels_to_open,
    choose_device,
    load_sounddevice,
)
from roomtune.errors import RoomtuneError

BUILT_IN = Device(0, "Built-in Microphone", "Core Audio", 2, 0, 48000, ("input",))
SPEAKERS = Device(1, "Built-in Output", "Core Audio", 0, 2, 48000, ("output",))
INTERFACE = Device(2, "Interface 8x8", "Core Audio", 8, 8, 48000)
MME = Device(3, "Line (USB)", "MME", 2, 2, 44100)
WASAPI = Device(4, "Line (USB)", "Windows WASAPI", 2, 2, 48000)
NUMBERED = Device(5, "2", "ALSA", 2, 2, 48000)
ALL = (BUILT_IN, SPEAKERS, INTERFACE, MME, WASAPI, NUMBERED)


@pytest.mark.parametrize(
    ("choice", "kind", "expected"),
    [
        (2, "output", INTERFACE),
        (4, "input", WASAPI),
        ("4", "input", WASAPI),
        ("Interface 8x8", "output", INTERFACE),
        ("interface", "input", INTERFACE),
        ("  8x8 ", "input", INTERFACE),
        ("Line (USB), MME", "output", MME),
        ("wasapi", "output", WASAPI),
        ("built-in", "input", BUILT_IN),
        ("built-in", "output", SPEAKERS),
        ("2", "input", NUMBERED),
        (None, "input", BUILT_IN),
        (None, "output", SPEAKERS),
    ],
)
def test_finds_the_device_meant(choice, kind, expected):
    assert choose_device(ALL, choice, kind) == expected


def test_without_a_default_the_first_able_device_is_taken():
    assert choose_device((SPEAKERS, INTERFACE), None, "input") == INTERFACE


def test_an_ambiguous_name_lists_every_candidate():
    with pytest.raises(RoomtuneError) as caught:
        choose_device(ALL, "Line (USB)", "input")
    assert str(caught.value) == (
        "The input device 'Line (USB)' is ambiguous, it fits 2 devices: "
        "3: Line (USB), MME (2 in, 2 out); 4: Line (USB), Windows WASAPI (2 in, 2 out). "
        "Use the number, or the name with its host API in full."
    )
    assert caught.value.exit_status == 2


def test_an_unknown_name_lists_what_there_is():
    with pytest.raises(RoomtuneError) as caught:
        choose_device(ALL, "cinema", "output")
    assert "No output device fits 'cinema'" in str(caught.value)
    for device in ALL:
        assert (str(device) in str(caught.value)) == bool(device.outputs)


def test_a_device_of_the_other_direction_is_told_apart():
    with pytest.raises(RoomtuneError, match=r"'Built-in Output' \(1: .*\) has no inputs"):
        choose_device(ALL, "Built-in Output", "input")
    with pytest.raises(RoomtuneError, match=r"number 1 .* has no inputs"):
        choose_device(ALL, 1, "input")


@pytest.mark.parametrize("choice", [99, -1, "99", "", "   "])
def test_numbers_and_blanks_that_fit_nothing(choice):
    with pytest.raises(RoomtuneError, match="No input device fits"):
        choose_device(ALL, choice, "input")


def test_no_device_at_all():
    with pytest.raises(RoomtuneError, match="No sound output was found"):
        choose_device((BUILT_IN,), None, "output")


@settings(derandomize=True, deadline=None)
@given(
    names=st.lists(st.text(min_size=1, max_size=8), min_size=1, max_size=6),
    hosts=st.lists(st.sampled_from(["ALSA", "MME", "Core Audio"]), min_size=6, max_size=6),
)
def test_the_label_in_full_always_finds_its_device(names, hosts):
    listed = [Device(k, n, hosts[k], 2, 2, 48000) for k, n in enumerate(names)]
    for device in listed:
        labels = [other.label.strip().casefold() for other in listed]
        if labels.count(device.label.strip().casefold()) == 1:
            assert choose_device(listed, device.label, "input") == device
        assert choose_device(listed, device.number, "input") == device


def test_a_device_is_opened_whole():
    assert channels_to_open(INTERFACE, "output", 3) == 8


@pytest.mark.parametrize(
    ("behind", "needed", "opened"), [(6, 2, 6), (2, 6, 6), (None, 2, 8), (None, 12, 12)]
)
def test_behind_a_sound_server_as_many_as_its_own_device_has(monkeypatch, behind, needed, opened):
    monkeypatch.setattr(devices, "server_channels", lambda kind, name: behind)
    server = Device(0, "pulse", "ALSA", 32, 32, 44100)
    assert channels_to_open(server, "output", needed) == opened


@pytest.mark.parametrize(
    ("fault", "remedy"),
    [
        ("raise OSError('PortAudio library not found')", "libportaudio2.*macOS"),
        ("raise ImportError('No module named sounddevice')", "pip install sounddevice"),
        ("raise RuntimeError('Error initializing PortAudio')", "Is the sound system running"),
    ],
)
def test_a_missing_library_tells_the_remedy(tmp_path, monkeypatch, fault, remedy):
    (tmp_path / "sounddevice.py").write_text(fault)
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(RoomtuneError, match=remedy) as caught:
        load_sounddevice()
    assert caught.value.exit_status == 2


@pytest.mark.parametrize(
    ("device", "expected"),
    [
        (INTERFACE, ("shared", "exclusive")),
        (MME, ("shared",)),
        (Device(6, "USB Audio: - (hw:1,0)", "ALSA", 2, 2, 48000), ("exclusive",)),
        (Device(7, "pulse", "ALSA", 32, 32, 44100), ("shared",)),
        (Device(8, "system", "JACK Audio Connection Kit", 2, 2, 48000), ("shared",)),
        (Device(9, "Interface", "ASIO", 8, 8, 48000), ("exclusive",)),
    ],
)
def test_how_a_device_can_be_opened(device, expected):
    assert devices.modes(device) == expected
