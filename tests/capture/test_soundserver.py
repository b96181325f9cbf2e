"""How many channels lie behind a sound server, as its own tool tells."""

from __future__ import annotations

import pytest

from roomtune.capture import soundserver
from roomtune.capture.soundserver import channels_by_name, server_channels

# The form in which `pactl list sinks` of PulseAudio 16 answers, shortened.
SINKS = """\
Sink #0
\tState: SUSPENDED
\tName: usb.stereo
\tDescription: A stereo interface
\tDriver: module-alsa-card.c
\tSample Specification: s16le 2ch 44100Hz
\tChannel Map: front-left,front-right
\tProperties:
\t\tdevice.description = "Name: none"

Sink #1
\tState: RUNNING
\tName: hdmi.surround71
\tDescription: Receiver
\tSample Specification: s32le 8ch 48000Hz
"""
INFORMATION = "Server Name: pulseaudio\nDefault Sink: hdmi.surround71\nDefault Source: a.monitor\n"


@pytest.fixture
def answers(monkeypatch):
    given = {("list", "sinks"): SINKS, ("info",): INFORMATION}
    monkeypatch.setattr(soundserver, "_ask", lambda *words: given.get(words))
    monkeypatch.delenv("PULSE_SINK", raising=False)
    return given


def test_reads_every_device():
    assert channels_by_name(SINKS) == {"usb.stereo": 2, "hdmi.surround71": 8}
    assert channels_by_name("") == {}


def test_the_default_counts_for_the_general_devices(answers):
    assert server_channels("output", "pulse") == 8


def test_a_device_of_the_same_name_counts_first(answers):
    assert server_channels("output", "usb.stereo") == 2


def test_the_environment_chooses_before_the_default(answers, monkeypatch):
    monkeypatch.setenv("PULSE_SINK", "usb.stereo")
    assert server_channels("output", "pulse") == 2


def test_a_server_that_cannot_be_asked(answers):
    assert server_channels("input", "pulse") is None
    answers[("info",)] = None
    assert server_channels("output", "pulse") is None


def test_no_tool_or_a_tool_that_fails(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert server_channels("output", "pulse") is None
    tool = tmp_path / "pactl"
    tool.write_text("#!/bin/sh\nexit 1\n")
    tool.chmod(0o755)
    assert server_channels("output", "pulse") is None
