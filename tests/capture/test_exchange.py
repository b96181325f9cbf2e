"""Measuring through files: what is written, and what any recorder makes of it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile
import soxr

from roomtune.capture.exchange import (
    plan_to_json,
    playback_plan,
    read_plan,
    read_takes,
    write_playback,
)
from roomtune.capture.identifying import numbered
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.capture.stimulus import schedule, take_signals
from roomtune.errors import MeasurementError, RoomtuneError
from roomtune.signal.sweeps import Sweep

RATE_HZ = 48000
SETTINGS = CaptureSettings(sweep_duration_s=1.0, lead_s=0.3, tail_s=0.3, end_s=0.2)
ACOUSTIC = Reference("acoustic", Marker(1500.0, 8000.0, 0.1, -12.0), interface_output=1)
LOOPBACK = Reference("loopback", Marker(1500.0, 8000.0, 0.1, -12.0), 4, 2)
DELAYS_S = (0.0052, 0.0081375, 0.0037)
GAINS = (0.2, -0.15, 0.25)
FREQUENCIES_HZ = np.geomspace(60, 16000, 300)


def request(output: int, reference: Reference = ACOUSTIC, band_hz=(20.0, 20000.0)) -> TakeRequest:
    return TakeRequest(
        source=f"driver {output}",
        kind="output",
        seat="sofa",
        interface_output=output,
        sweep=Sweep(*band_hz, SETTINGS.sweep_duration_s, float(RATE_HZ)),
        level_dbfs=-12.0,
        reference=reference,
        settings=SETTINGS,
    )


REQUESTS = (request(1), request(2), request(3))


def truth(output: int, frequencies_hz: np.ndarray) -> np.ndarray:
    """Direct sound and one reflection 4 ms later at -10 dB."""
    turn = -2j * np.pi * frequencies_hz
    direct = np.exp(turn * DELAYS_S[output - 1])
    return GAINS[output - 1] * direct * (1 + 10**-0.5 * np.exp(turn * 0.004))


def heard(played: np.ndarray) -> np.ndarray:
    """What the microphone hears of outputs 1 to 3, exact to the fraction of a sample."""
    length = len(played) + 4800
    frequencies_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    spectrum = sum(
        np.fft.rfft(played[:, k], length) * truth(k + 1, frequencies_hz)
        for k in range(min(3, played.shape[1]))
    )
    return np.fft.irfft(spectrum, length)


def recorded(playback, path, *, late_s=1.7, rate_hz=RATE_HZ, drift_ppm=0.0, noise=1e-5, edit=None):
    """Play a file in the room and record it on another machine that began earlier."""
    played, _ = soundfile.read(playback, always_2d=True)
    sound = heard(played)
    if edit is not None:
        sound = edit(sound)
    sound = np.concatenate([np.zeros(round(abs(late_s) * RATE_HZ)), sound])
    if drift_ppm or rate_hz != RATE_HZ:
        sound = soxr.resample(sound, RATE_HZ, rate_hz * (1 + drift_ppm * 1e-6), quality="VHQ")
    sound = sound + noise * np.random.default_rng(3).standard_normal(len(sound))
    soundfile.write(path, sound, rate_hz, "FLOAT")
    return path


@pytest.fixture(scope="module")
def playback(tmp_path_factory):
    path = tmp_path_factory.mktemp("playback") / "play.wav"
    return path, write_playback(path, REQUESTS)


def check_takes(found, sources=("driver 1", "driver 2", "driver 3")):
    """Level within 0.05 dB and arrivals between takes within 5 us of the truth."""
    assert tuple(item.take.source for item in found.captured) == sources
    delays_us = []
    for item in found.captured:
        assert item.take.verdict.grade != "repeat", item.take.verdict
        values = item.take.impulse_response.response_at(FREQUENCIES_HZ).values
        ratio = values / truth(item.request.interface_output, FREQUENCIES_HZ)
        ratio *= np.exp(-2j * np.pi * FREQUENCIES_HZ * DELAYS_S[0])  # where the markers came from
        assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.05
        slope = np.polyfit(2 * np.pi * FREQUENCIES_HZ, np.unwrap(np.angle(ratio)), 1)[0]
        delays_us.append(-slope * 1e6)
    assert np.ptp(delays_us) < 5


def test_the_file_holds_every_take_on_its_channels(playback):
    path, plan_path = playback
    plan = read_plan(plan_path)
    samples, rate_hz = soundfile.read(path, always_2d=True)
    assert rate_hz == RATE_HZ
    assert samples.shape == (round(plan.duration_s * RATE_HZ), 3)
    silent = np.ones(len(samples), bool)
    for take, wanted in zip(plan.takes, numbered(REQUESTS), strict=True):
        assert take.request == wanted
        signals = take_signals(wanted, 3)
        begin = round(take.start_s * RATE_HZ)
        stretch = samples[begin : begin + len(signals)]
        assert np.max(np.abs(stretch - signals)) <= 2**-23  # one step of 24 bits
        silent[begin : begin + len(signals)] = False
    assert not samples[silent].any()
    assert np.max(np.abs(samples)) <= 10 ** (-12 / 20) + 2**-23


@pytest.mark.parametrize(("encoding", "subtype"), [("24-bit", "PCM_24"), ("float", "FLOAT")])
def test_encodings(tmp_path, encoding, subtype):
    write_playback(tmp_path / "play.wav", [request(6)], encoding)
    info = soundfile.info(tmp_path / "play.wav")
    assert (info.subtype, info.channels) == (subtype, 6)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["play.json", "play.wav"]


def test_a_plan_survives_json(playback):
    plan = playback_plan(REQUESTS)
    assert read_plan(playback[1]) == plan
    assert json.loads(plan_to_json(plan))["format"] == "roomtune playback plan"


def test_takes_from_the_same_clock(playback, tmp_path):
    found = read_takes(recorded(playback[0], tmp_path / "r.wav"), playback[1])
    check_takes(found)
    assert found.missing == ()
    assert found.notes == ()


@pytest.mark.parametrize(
    ("late_s", "rate_hz", "drift_ppm"),
    [(0.0, 48000, 80.0), (7.3, 44100, -60.0), (0.4, 96000, 35.0)],
)
def test_takes_from_another_clock_and_rate(playback, tmp_path, late_s, rate_hz, drift_ppm):
    path = recorded(
        playback[0], tmp_path / "r.wav", late_s=late_s, rate_hz=rate_hz, drift_ppm=drift_ppm
    )
    found = read_takes(path, playback[1])
    check_takes(found)
    for item in found:
        assert item.take.clock_drift_ppm == pytest.approx(drift_ppm, abs=1)


def test_a_pause_between_takes(playback, tmp_path):
    second = round((read_plan(playback[1]).takes[1].start_s - 0.4) * RATE_HZ)

    def pause(sound):
        return np.concatenate([sound[:second], np.zeros(5 * RATE_HZ), sound[second:]])

    check_takes(read_takes(recorded(playback[0], tmp_path / "r.wav", edit=pause), playback[1]))


def test_a_false_start(playback, tmp_path):
    third = round((read_plan(playback[1]).takes[2].start_s + 0.5) * RATE_HZ)

    def start_again(sound):
        return np.concatenate([sound[:third], np.zeros(RATE_HZ), sound])

    found = read_takes(recorded(playback[0], tmp_path / "r.wav", edit=start_again), playback[1])
    check_takes(found)


def test_a_recording_that_ends_early_keeps_what_it_holds(playback, tmp_path):
    third = round((read_plan(playback[1]).takes[2].start_s + 1.5) * RATE_HZ)
    path = recorded(playback[0], tmp_path / "r.wav", edit=lambda sound: sound[:third])
    found = read_takes(path, playback[1])
    check_takes(found, ("driver 1", "driver 2"))
    assert [missing.source for missing in found.missing] == ["driver 3"]
    assert found.notes[0].startswith("driver 3 at sofa is missing: the recording ends at ")


def test_a_recording_that_begins_late_does_not_mix_equal_sweeps_up(playback, tmp_path):
    second = round((read_plan(playback[1]).takes[1].start_s - 0.4) * RATE_HZ)
    path = recorded(playback[0], tmp_path / "r.wav", late_s=0, edit=lambda sound: sound[second:])
    found = read_takes(path, playback[1])
    check_takes(found, ("driver 2", "driver 3"))
    assert [missing.source for missing in found.missing] == ["driver 1"]


def span(plan, place):
    """First and last sample of a take in the file, with a little around."""
    begin = plan.takes[place].start_s
    length = schedule(plan.takes[place].request).total_s
    return round((begin - 0.2) * RATE_HZ), round((begin + length + 0.2) * RATE_HZ)


def test_a_lone_sweep_tells_its_own_number(playback, tmp_path):
    begin, end = span(read_plan(playback[1]), 1)
    path = recorded(playback[0], tmp_path / "r.wav", edit=lambda sound: sound[begin:end])
    check_takes(read_takes(path, playback[1]), ("driver 2",))


def test_a_lone_sweep_without_markers_is_not_guessed(tmp_path):
    wanted = [request(k, Reference("none")) for k in (1, 2, 3)]
    plan = read_plan(write_playback(tmp_path / "play.wav", wanted))
    begin, end = span(plan, 1)
    path = recorded(tmp_path / "play.wav", tmp_path / "r.wav", edit=lambda s: s[begin:end])
    with pytest.raises(MeasurementError, match="none of the 3 takes"):
        read_takes(path, plan)


@pytest.mark.parametrize(("order", "drift_ppm"), [((2, 0, 1), 0.0), ((2, 1, 0, 2), -90.0)])
def test_takes_in_any_order_with_false_starts_and_pauses(playback, tmp_path, order, drift_ppm):
    plan = read_plan(playback[1])
    random = np.random.default_rng(order)

    def shuffle(sound):
        pieces = []
        for place in order:
            begin, end = span(plan, place)
            broken = begin + round(random.uniform(0.5, 2.5) * RATE_HZ)
            pause = np.zeros(round(random.uniform(0.1, 4) * RATE_HZ))
            pieces += [sound[begin:broken], pause, sound[begin:end]]
        return np.concatenate(pieces)

    path = recorded(playback[0], tmp_path / "r.wav", edit=shuffle, drift_ppm=drift_ppm)
    check_takes(read_takes(path, playback[1]))


def test_numbers_cover_as_many_takes_as_a_system_has():
    spacings = [item.settings.marker_spacing_s for item in numbered([request(1)] * 40)]
    assert len({round(spacing, 6) for spacing in spacings}) == 40
    # All of them within the reach of the search for markers.
    assert max(spacings) - min(spacings) < 2 * 0.06


def test_a_take_drowned_in_the_middle_is_reported(playback, tmp_path):
    plan = read_plan(playback[1])
    begin, end = (round(plan.takes[k].start_s * RATE_HZ) for k in (1, 2))

    def mute(sound):
        return np.concatenate([sound[:begin], np.zeros(end - begin), sound[end:]])

    found = read_takes(recorded(playback[0], tmp_path / "r.wav", edit=mute), playback[1])
    check_takes(found, ("driver 1", "driver 3"))
    assert "no such sweep was heard about" in found.notes[0]


def test_different_bands_and_a_loopback_channel(tmp_path):
    bands = ((20.0, 200.0), (200.0, 4000.0), (2000.0, 20000.0))
    requests = [request(k + 1, LOOPBACK, band) for k, band in enumerate(bands)]
    plan = write_playback(tmp_path / "play.wav", requests)
    played, _ = soundfile.read(tmp_path / "play.wav")
    wire = np.concatenate([played[:, 3], np.zeros(4800)])
    both = np.pad(np.stack([heard(played), wire], axis=1), ((30000, 0), (0, 0)))
    both += 1e-6 * np.random.default_rng(5).standard_normal(both.shape)
    soundfile.write(tmp_path / "r.flac", both, RATE_HZ, "PCM_24")
    found = read_takes(tmp_path / "r.flac", plan)
    assert len(found) == 3
    for item, (low_hz, high_hz) in zip(found, bands, strict=True):
        assert item.take.reference == "loopback"
        inside = np.geomspace(1.3 * low_hz, 0.9 * high_hz, 50)
        values = item.take.impulse_response.response_at(inside).values
        ratio = values / truth(item.request.interface_output, inside)
        assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.05
        assert np.max(np.abs(np.angle(ratio))) < 0.02  # absolute time by the loopback


def mono(tmp_path, samples, **options):
    path = tmp_path / "r.wav"
    soundfile.write(path, samples, RATE_HZ, options.get("subtype", "FLOAT"))
    return path


@pytest.mark.parametrize(
    ("samples", "error", "text"),
    [
        (np.zeros(RATE_HZ), MeasurementError, "digital silence"),
        (np.full(RATE_HZ, np.nan), RoomtuneError, "48000 samples that are not numbers.* 0.000 s"),
        (np.zeros(0), RoomtuneError, "empty"),
        (
            1e-3 * np.random.default_rng(1).standard_normal(20 * RATE_HZ),
            MeasurementError,
            "none of the 3 takes .* Is it the recording of this playback",
        ),
    ],
)
def test_recordings_that_hold_nothing_say_why(playback, tmp_path, samples, error, text):
    with pytest.raises(error, match=text):
        read_takes(mono(tmp_path, samples), playback[1])


def test_files_that_are_no_recordings(playback, tmp_path):
    with pytest.raises(RoomtuneError, match=r"There is no recording .*nowhere\.wav"):
        read_takes(tmp_path / "nowhere.wav", playback[1])
    text = tmp_path / "notes.wav"
    text.write_text("not sound at all")
    with pytest.raises(RoomtuneError, match=r"notes\.wav.* cannot be read as "):
        read_takes(text, playback[1])


def test_a_missing_loopback_channel_is_told(tmp_path):
    plan = write_playback(tmp_path / "play.wav", [request(1, LOOPBACK)])
    path = mono(tmp_path, np.ones(1000))
    with pytest.raises(RoomtuneError, match=r"has 1 channel; .*loopback on channel 1 and 2"):
        read_takes(path, plan)


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("{}", "sample_rate_hz: Field required"),
        ("no json", "the file: Invalid JSON"),
        ('{"format": "other"}', "not a playback plan"),
    ],
)
def test_a_file_that_is_no_plan(tmp_path, text, where):
    path = tmp_path / "plan.json"
    path.write_text(text)
    with pytest.raises(RoomtuneError, match=where):
        read_plan(path)
    with pytest.raises(RoomtuneError, match="Cannot read the playback plan"):
        read_plan(tmp_path / "absent.json")


def test_requests_that_do_not_fit_into_one_file(tmp_path):
    by_hand = replace(request(2), by_hand=True)
    with pytest.raises(RoomtuneError, match="driver 2: the amplifier is switched by hand"):
        playback_plan([request(1), by_hand])
    assert len(playback_plan([by_hand]).takes) == 1
    with pytest.raises(RoomtuneError, match="nothing to play"):
        playback_plan([])
    slow = replace(request(1), sweep=Sweep(20.0, 20000.0, 1.0, 44100.0))
    with pytest.raises(ValueError, match="different sample rates"):
        playback_plan([request(1), slow])
    with pytest.raises(RoomtuneError, match="Cannot write"):
        write_playback(tmp_path / "no folder" / "play.wav", [request(1)])
