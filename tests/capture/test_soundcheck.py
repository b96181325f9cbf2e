"""The sound check against rooms with known faults."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.capture.requests import output_requests
from roomtune.capture.soundcheck import (
    CHECK_SETTINGS,
    LOUDEST_PEAK_DBFS,
    check_output,
    check_outputs,
    judge_outputs,
)
from roomtune.system.model import Channel, Loudspeaker, Output, Playback, Seat, System

NAMES = ("left", "right", "centre")
PLACES = {"left": (0.5, 0.8, 1.0), "right": (0.5, 3.2, 1.0), "centre": (0.4, 2.0, 1.0)}
EAR = (3.2, 1.4, 1.1)


@pytest.fixture
def system():
    return System(
        name="three",
        channels=tuple(Channel(name=c) for c in ("L", "R", "C")),
        loudspeakers=tuple(
            Loudspeaker(name=n, channel=c, position_m=PLACES[n])
            for n, c in zip(NAMES, ("L", "R", "C"), strict=True)
        ),
        outputs=tuple(
            Output(
                name=f"{name}-full",
                number=number,
                loudspeaker=name,
                driver="full range",
                playback=Playback(interface_output=number),
                safe_band_hz=(80, 18000),
                maximum_level_dbfs=-10.0,
            )
            for number, name in enumerate(NAMES, start=1)
        ),
        seats=(Seat(name="middle", position_m=EAR),),
    )


@pytest.fixture
def paths(room_response):
    """Responses that fit the places; index is the interface output."""
    result = {}
    for number, name in enumerate(NAMES, start=1):
        distance = np.linalg.norm(np.array(PLACES[name]) - np.array(EAR))
        result[number] = 0.3 * room_response(
            number, delay_s=distance / 343, band_hz=(90, 16000), diffuse=0.01
        )
    return result


def findings_with(small_room, system, paths, **switches):
    room = small_room(paths, noise_rms=2e-5, seed=1, **switches)
    return judge_outputs(check_outputs(room, system, "middle"), system, "middle"), room


def test_a_sound_system_has_no_findings(small_room, system, paths):
    findings, room = findings_with(small_room, system, paths)
    assert findings == ()
    # Nothing was louder than the limit.
    assert max(np.abs(signals).max() for signals in room.played) <= 10 ** (-10 / 20)


def test_the_ramp_begins_inaudible_and_never_leaps(small_room, system, paths):
    room = small_room(paths, noise_rms=1e-4, seed=1)
    request = output_requests(system, CHECK_SETTINGS, "middle")[0]
    heard = []
    check = check_output(room, request, on_step=heard.append)
    levels = [step.level_dbfs for step in check.steps]
    assert levels[0] == -58
    assert np.all(np.diff(levels) <= 12 + 1e-9)
    assert max(levels) <= -10
    assert [r.level_dbfs for r in heard] == levels
    for step in check.steps:
        assert step.peak_dbfs <= LOUDEST_PEAK_DBFS + 1
    for signals, level in zip(room.played, levels, strict=True):
        assert np.abs(signals).max() <= 10 ** (level / 20) * (1 + 1e-12)


def test_dead_quiet_and_loud_outputs_are_told(small_room, system, paths):
    dead = {**paths, 2: 0 * paths[2]}
    findings, _ = findings_with(small_room, system, dead)
    assert [f.code for f in findings] == ["dead"]
    assert "right-full" in findings[0].text
    loud = {**paths, 2: 100 * paths[2]}
    findings, _ = findings_with(small_room, system, loud)
    assert [f.code for f in findings] == ["loud"]
    quiet = {**paths, 2: 1e-3 * paths[2]}
    findings, _ = findings_with(small_room, system, quiet)
    assert [f.code for f in findings] == ["quiet"]


def test_a_reversed_output_is_told(small_room, system, paths):
    findings, _ = findings_with(small_room, system, {**paths, 2: -paths[2]})
    assert [f.code for f in findings] == ["reversed"]
    assert "right-full" in findings[0].text


def test_swapped_outputs_are_told(small_room, system, paths):
    findings, _ = findings_with(small_room, system, {**paths, 1: paths[2], 2: paths[1]})
    assert [f.code for f in findings] == ["swapped"]
    assert "left-full" in findings[0].text
    assert "right-full" in findings[0].text


def two_way(system):
    """The same system with a woofer and a tweeter on the left, outputs 1 and 4."""
    woofer, *others = system.outputs
    woofer = woofer.model_copy(update={"name": "left-woofer", "driver": "woofer"})
    tweeter = woofer.model_copy(
        update={
            "name": "left-tweeter",
            "driver": "tweeter",
            "number": 4,
            "playback": Playback(interface_output=4),
            "safe_band_hz": (1500.0, 20000.0),
        }
    )
    return system.model_copy(update={"outputs": (woofer, *others, tweeter)})


def two_way_paths(paths, room_response, swapped):
    woofer = 0.3 * room_response(8, delay_s=0.008, band_hz=(60, 2500))
    tweeter = 0.3 * room_response(9, delay_s=0.008, band_hz=(2000, 18000))
    first, last = (tweeter, woofer) if swapped else (woofer, tweeter)
    return {**paths, 1: first, 4: last}


def test_a_woofer_and_a_tweeter_that_changed_places_are_told_before_it_is_loud(
    small_room, system, paths, room_response
):
    both = two_way(system)
    sound, _ = findings_with(small_room, both, two_way_paths(paths, room_response, False))
    assert sound == ()
    found, room = findings_with(small_room, both, two_way_paths(paths, room_response, True))
    assert "left-woofer and left-tweeter are swapped" in found[0].text
    assert found[0].grade == "repeat"
    loudest = max(np.abs(signals[:, 0]).max() for signals in room.played)
    assert loudest < 10 ** (-30 / 20)


def test_a_driver_of_another_kind_is_told(small_room, system, paths, room_response):
    wrong = {**two_way_paths(paths, room_response, False)}
    wrong[4] = 0.3 * room_response(10, delay_s=0.007, band_hz=(60, 2500))
    found, _ = findings_with(small_room, two_way(system), wrong)
    assert "left-tweeter should feed a tweeter but sounds like a larger driver" in found[0].text


def test_two_outputs_on_one_driver_are_told(small_room, system, paths):
    found, _ = findings_with(small_room, system, {**paths, 2: paths[3]})
    assert "right-full and centre-full sound exactly alike" in found[0].text


def test_a_microphone_that_does_not_listen_is_told(small_room, system, paths):
    findings, _ = findings_with(small_room, system, paths, spoil=np.zeros_like)
    assert [f.code for f in findings] == ["microphone"]
