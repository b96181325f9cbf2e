"""Takes whose markers locked on to different peaks of one echo pattern get one time zero."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from roomtune.capture.common_time import LEAST_SHIFT_S, match, on_common_time
from roomtune.capture.consistency import checked_against
from roomtune.capture.measure import capture_take
from roomtune.capture.take import Fingerprint

RATE = 48000
ECHO_S = 0.0023


def marker_path(direct):
    """A direct sound just at the limit of being strong enough, and a stronger reflection."""
    response = np.zeros(RATE // 5)
    response[round(0.005 * RATE)] = direct
    response[round((0.005 + ECHO_S) * RATE)] = 1.0
    tail = 0.01 * np.random.default_rng(3).standard_normal(response.size)
    response += tail * np.exp(-np.arange(response.size) / (0.05 * RATE))
    sections = scipy.signal.butter(2, (300, 18000), "bandpass", fs=RATE, output="sos")
    return scipy.signal.sosfilt(sections, response)


def arrival_s(take):
    response = take.impulse_response
    return float(response.times_s[np.argmax(np.abs(response.samples))])


@pytest.fixture(scope="module")
def pair(small_room, room_response, take_request):
    """Two takes of one output: one locked on to the direct sound, one on to the echo."""
    takes = []
    for number, direct in enumerate((0.34, 0.30)):
        room = small_room(
            {1: room_response(1, delay_s=0.008), 2: marker_path(direct)}, noise_rms=3e-4
        )
        request = replace(take_request("acoustic"), source=f"output-{number}")
        takes.append(capture_take(room, request).take)
    return takes


def test_the_zeros_of_the_two_takes_differ_by_the_echo(pair):
    # Otherwise the tests below would prove nothing.
    assert arrival_s(pair[0]) - arrival_s(pair[1]) == pytest.approx(ECHO_S, abs=3e-5)


def test_the_second_is_put_on_to_the_zero_of_the_first(pair):
    first, second = pair
    moved = on_common_time(second, [first])
    assert arrival_s(moved) == pytest.approx(arrival_s(first), abs=2.1e-5)
    assert moved.verdict.grade == second.verdict.grade
    assert "2.29 ms after those of output-0" in moved.verdict.findings[-1].text
    assert moved.fingerprint.moved_s == pytest.approx(110 / RATE, abs=5e-6)
    low = slice(0, 3000)
    spectra = [np.fft.rfft(t.impulse_response.samples)[low] for t in (first, moved)]
    phase = np.angle(np.vdot(*spectra))
    assert abs(phase) < 0.05


def test_a_third_follows_the_second_though_that_was_moved(pair):
    first, second = pair
    moved = on_common_time(second, [first])
    third = on_common_time(replace(first, source="third"), [moved])
    assert arrival_s(third) == pytest.approx(arrival_s(first), abs=2.1e-5)
    fourth = on_common_time(replace(second, source="fourth"), [moved])
    assert arrival_s(fourth) == pytest.approx(arrival_s(first), abs=2.1e-5)


def test_neither_movement_nor_level_is_seen_in_it(pair):
    first, second = pair
    checked = checked_against(replace(second, source=first.source), [first])
    assert [finding.code for finding in checked.verdict.findings] == ["time zero put right"]


def test_takes_on_one_zero_stay_as_they_are(pair):
    assert on_common_time(pair[0], [replace(pair[0], source="other")]) is pair[0]
    assert on_common_time(pair[1], [replace(pair[0], seat="elsewhere")]) is pair[1]
    assert on_common_time(replace(pair[1], reference="none"), [pair[0]]).reference == "none"


@pytest.mark.parametrize("places", [0.0, 0.25, -3.6, 20.5])
def test_the_shift_between_patterns_is_found(places):
    random = np.random.default_rng(1)
    pattern = random.standard_normal(400) + 1j * random.standard_normal(400)
    pattern *= np.exp(-np.arange(400) / 60) * (np.arange(400) > 40)
    smooth = scipy.signal.firwin(31, 0.6)
    spectrum = np.fft.fft(np.convolve(pattern, smooth, "same"), 1024)
    turn = np.exp(-2j * np.pi * np.fft.fftfreq(1024) * places)
    other = np.fft.ifft(spectrum * turn)[:400]
    mine = np.fft.ifft(spectrum)[:400]
    step_s = 1.2e-4
    found = match(Fingerprint(mine, -10.0, step_s), Fingerprint(other, -10.0, step_s))
    assert found.later_s / step_s == pytest.approx(places, abs=0.01)
    assert found.alike > 0.999
    assert found.later_s == pytest.approx(places * step_s, abs=LEAST_SHIFT_S / 20)
