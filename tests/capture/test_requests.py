"""What is played for a system: bands, levels, references, order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomtune.capture.requests import (
    CaptureSettings,
    channel_requests,
    output_requests,
    reference_output,
)
from roomtune.capture.stimulus import marker_signal, schedule, take_signals
from roomtune.errors import RoomtuneError
from roomtune.system.model import (
    AudioSettings,
    Channel,
    Loudspeaker,
    Output,
    Playback,
    Seat,
    System,
)

RATE = 48000


def output(name, number, loudspeaker, driver, band_hz, by_hand=False, limit=-12.0):
    return Output(
        name=name,
        number=number,
        loudspeaker=loudspeaker,
        driver=driver,
        playback=Playback(interface_output=number, by_hand=by_hand, instruction="Switch it."),
        safe_band_hz=band_hz,
        maximum_level_dbfs=limit,
    )


@pytest.fixture
def system():
    return System(
        name="small",
        channels=(
            Channel(name="L"),
            Channel(name="C"),
            Channel(name="LFE", kind="low frequency effects"),
        ),
        loudspeakers=(
            Loudspeaker(name="left", channel="L"),
            Loudspeaker(name="centre", channel="C"),
            Loudspeaker(name="sub"),
        ),
        outputs=(
            output("left-woofer", 1, "left", "woofer", (60, 4000), by_hand=True),
            output("left-tweeter", 2, "left", "tweeter", (1500, 20000), limit=-20.0),
            output("centre", 3, "centre", "full range", (70, 18000)),
            output("sub", 4, "sub", "subwoofer", (15, 250), limit=-6.0),
        ),
        seats=(Seat(name="middle"), Seat(name="left")),
    )


def with_audio(system, **settings):
    return system.model_copy(update={"audio": AudioSettings(**settings)})


def test_sweeps_stay_in_the_safe_band_and_hand_switched_outputs_come_last(system):
    requests = output_requests(system, CaptureSettings(), "middle")
    assert [r.source for r in requests] == ["left-tweeter", "centre", "sub", "left-woofer"]
    for request in requests:
        low, high = system.output(request.source).safe_band_hz
        assert request.sweep.start_hz >= low
        assert request.sweep.stop_hz <= high
        assert request.level_dbfs == system.output(request.source).maximum_level_dbfs
    assert requests[-1].by_hand
    assert requests[-1].instruction == "Switch it."


@pytest.mark.parametrize("loopback", [False, True])
def test_nothing_exceeds_the_limit_of_any_output(system, loopback):
    if loopback:
        system = with_audio(system, loopback_output=6, loopback_input=2)
    for request in output_requests(system, CaptureSettings(), "middle"):
        signals = take_signals(request)
        for item in system.outputs:
            column = item.playback.interface_output - 1
            if column < signals.shape[1]:
                limit = 10 ** (item.maximum_level_dbfs / 20)
                assert np.abs(signals[:, column]).max() <= limit * (1 + 1e-12)


def test_signals_begin_and_end_with_silence_and_never_step(system):
    for request in output_requests(system, CaptureSettings(), "middle"):
        signals = take_signals(request)
        plan = schedule(request)
        quiet = round(plan.quiet_s * RATE)
        assert not signals[:quiet].any()
        assert not signals[-round(0.4 * RATE) :].any()
        column = signals[:, request.interface_output - 1]
        peak = np.abs(column).max()
        slope = 2 * np.pi * max(request.sweep.stop_hz, 8000) / RATE
        assert np.abs(np.diff(column)).max() <= peak * slope * 1.01


def test_sweep_lies_where_the_schedule_says(system):
    request = output_requests(system, CaptureSettings(), "middle")[1]
    plan = schedule(request)
    signals = take_signals(request)[:, 2]
    begin, end = round(plan.sweep_s * RATE), round(plan.sweep_end_s * RATE)
    assert np.abs(signals[begin : begin + 200]).max() > 0
    assert not signals[end : round(plan.markers_s[2] * RATE)].any()
    chirp = marker_signal(request.reference.marker, RATE)
    for instant in plan.markers_s:
        piece = signals[round(instant * RATE) :][: chirp.size]
        scale = 10 ** (request.reference.marker.level_dbfs / 20)
        np.testing.assert_allclose(piece, scale * chirp, atol=1e-12)


def test_reference_is_the_named_output_else_the_best_suited(system):
    assert reference_output(system).name == "centre"
    assert reference_output(with_audio(system, reference_output="left-tweeter")).name == (
        "left-tweeter"
    )


def test_marker_stays_in_the_reference_outputs_band_and_limit(system):
    named = with_audio(system, reference_output="left-tweeter")
    request = output_requests(named, CaptureSettings(), "middle")[1]
    marker = request.reference.marker
    assert request.reference.kind == "acoustic"
    assert (marker.start_hz, marker.stop_hz) == (1500, 8000)
    assert marker.level_dbfs == -20.0
    assert request.reference.interface_output == 2


def test_loopback_goes_before_and_the_microphone_still_hears_markers(system):
    looped = with_audio(system, loopback_output=6, loopback_input=2)
    request = output_requests(looped, CaptureSettings(), "middle")[0]
    reference = request.reference
    assert reference.kind == "loopback"
    assert request.inputs == (1, 2)
    assert reference.witness_output == 3
    signals = take_signals(request)
    assert signals.shape[1] == 6
    plan = schedule(request)
    begin, end = round(plan.sweep_s * RATE), round(plan.sweep_end_s * RATE)
    assert np.abs(signals[begin:end, 5]).max() > 0.2
    assert not signals[begin:end, 2].any()


def test_an_output_switched_from_the_references_place_has_no_reference(system):
    shared = system.model_copy(
        update={
            "outputs": (
                system.outputs[0].model_copy(
                    update={"playback": Playback(interface_output=3, by_hand=True)}
                ),
                *system.outputs[1:],
            )
        }
    )
    requests = {r.source: r for r in output_requests(shared, CaptureSettings(), "middle")}
    assert requests["left-woofer"].reference.kind == "none"
    assert requests["left-tweeter"].reference.kind == "acoustic"


def test_channels_cover_their_outputs_and_the_subwoofers(system):
    requests = channel_requests(system, CaptureSettings(), "middle", -18.0)
    bands = {r.source: (r.sweep.start_hz, r.sweep.stop_hz) for r in requests}
    assert bands == {"L": (15, 20000), "C": (15, 18000), "LFE": (15, 250)}
    assert [r.interface_output for r in requests] == [1, 2, 3]
    for request in requests:
        assert request.kind == "channel"
        assert np.abs(take_signals(request)).max() <= 10 ** (-18 / 20)
        assert request.reference.interface_output == 2


def test_level_below_the_maximum_lowers_the_sweep(system):
    quieter = CaptureSettings(level_below_maximum_db=20)
    request = output_requests(system, quieter, "middle")[0]
    assert request.level_dbfs == -40


def test_high_bands_are_cut_to_what_the_rate_carries(system):
    low_rate = with_audio(system, sample_rate_hz=44100)
    sweep = output_requests(low_rate, CaptureSettings(), "middle")[0].sweep
    assert sweep.stop_hz == 20000
    assert sweep.sample_rate_hz == 44100
    wide = system.model_copy(
        update={
            "outputs": (system.outputs[1].model_copy(update={"safe_band_hz": (1500.0, 30000.0)}),)
        }
    )
    assert output_requests(wide, CaptureSettings(), "middle")[0].sweep.stop_hz == 0.46 * RATE


def test_a_schedule_without_reference_has_no_markers(system):
    request = output_requests(system, CaptureSettings(), "middle")[0]
    bare = replace(request, reference=replace(request.reference, kind="none", marker=None))
    assert schedule(bare).markers_s == ()
    assert schedule(bare).total_s < schedule(request).total_s


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"reference_output": "nobody"}, "no output of that name"),
        ({"reference_output": "sub"}, "at least one octave"),
    ],
)
def test_impossible_references_are_explained(system, change, text):
    with pytest.raises(RoomtuneError, match=text):
        output_requests(with_audio(system, **change), CaptureSettings(), "middle")


def test_unknown_seat_and_impossible_sweeps_are_explained(system):
    with pytest.raises(RoomtuneError, match="no seat 'roof'"):
        output_requests(system, CaptureSettings(), "roof")
    with pytest.raises(RoomtuneError, match="output sub cannot be swept"):
        output_requests(system, CaptureSettings(sweep_duration_s=0.05), "middle")


def test_too_few_columns_are_refused(system):
    request = output_requests(system, CaptureSettings(), "middle")[2]
    with pytest.raises(ValueError, match="cannot hold"):
        take_signals(request, outputs=3)


def test_a_channel_is_swept_as_low_as_the_outputs_that_play_it(system):
    players = {"L": ("left-woofer", "left-tweeter", "sub")}
    plain, routed = (
        channel_requests(system, CaptureSettings(), "middle", -18.0, chosen)[0]
        for chosen in ({"L": ("left-woofer", "left-tweeter")}, players)
    )
    assert plain.sweep.start_hz == system.output("left-woofer").safe_band_hz[0]
    assert routed.sweep.start_hz == system.output("sub").safe_band_hz[0]
