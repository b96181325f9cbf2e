"""A round of takes: what is asked of people between them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from roomtune.advisor.starting import starting_tuning
from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.cli.rounds import channel_level_dbfs, channel_round, run_round
from roomtune.cli.stage import VirtualStage
from roomtune.processor.tuning import ChannelSetting, Limiter, OutputSetting, Route, Tuning
from roomtune.session.folder import Session
from roomtune.system.reading import read_system
from roomtune.virtual.room import VirtualRoom
from roomtune.virtual.scenario import load_scenario


class WatchedStage(VirtualStage):
    """A virtual stage that notes what was asked."""

    def __init__(self, room: VirtualRoom) -> None:
        super().__init__(room)
        self.asked: list[str] = []

    def go_to(self, seat: str) -> None:
        self.asked.append(f"go to {seat}")
        super().go_to(seat)

    def switch_to(self, request) -> None:
        self.asked.append(f"switch to {request.source}")
        super().switch_to(request)

    def switch_back(self) -> None:
        self.asked.append("switch back")
        super().switch_back()


@pytest.fixture
def attic():
    """The scenario whose outputs are all switched by hand, with its system."""
    scenario = load_scenario("attic-stereo")
    return scenario, read_system(scenario.system_path)


def test_the_amplifier_is_switched_by_hand_and_back_at_every_seat(attic, tmp_path: Path) -> None:
    scenario, system = attic
    stage = WatchedStage(VirtualRoom(scenario, system))
    session = Session.create(tmp_path, "by hand", scenario.system_path)
    seats = [seat.name for seat in system.seats][:2]
    requests = [
        request
        for seat in seats
        for request in output_requests(system, CaptureSettings(sweep_duration_s=1.0), seat)[:2]
    ]
    names = [request.source for request in requests[:2]]
    assert run_round(stage, session, requests, "measuring") == ()
    expected = [f"switch to {name}" for name in names]
    assert stage.asked == [
        step for seat in seats for step in (f"go to {seat}", *expected, "switch back")
    ]
    assert len(session.entries()) == 4


def test_a_channel_stays_under_the_tightest_limit(attic) -> None:
    _, system = attic
    first = system.outputs[0]
    tuning = Tuning(
        48000.0,
        (ChannelSetting("L"),),
        (Route("L", first.name, gain_db=6.0),),
        (OutputSetting(first.name, first.number),),
    )
    level = channel_level_dbfs(system, tuning)
    assert level == pytest.approx(min(0.0, first.maximum_level_dbfs - 6.0), abs=1e-9)


def test_a_channel_stays_under_the_limiters(attic) -> None:
    _, system = attic
    first = system.outputs[0]
    limiter = Limiter(first.maximum_level_dbfs - 9.0)
    tuning = Tuning(
        48000.0,
        (ChannelSetting("L"),),
        (Route("L", first.name, gain_db=6.0),),
        (OutputSetting(first.name, first.number, limiter=limiter),),
    )
    level = channel_level_dbfs(system, tuning)
    assert level == pytest.approx(limiter.threshold_dbfs - 1.0 - 6.0, abs=1e-9)


def test_each_channel_is_swept_over_what_the_tuning_lets_through() -> None:
    system = read_system(load_scenario("garden-studio").system_path)
    tuning = starting_tuning(system)
    requests = channel_round(system, CaptureSettings(), tuning, ["middle"])
    sweeps = {request.source: request.sweep for request in requests}
    assert sweeps["L"].stop_hz > 19e3
    # The LFE channel, low-passed at 120 Hz by a slope of 24 dB per octave: no more than two
    # octaves beyond, and the subwoofers' own lower end.
    assert 150 < sweeps["LFE"].stop_hz < 480
    assert sweeps["LFE"].start_hz < 20
    unheard = replace(tuning, routes=tuple(r for r in tuning.routes if r.channel != "LFE"))
    assert channel_round(system, CaptureSettings(), unheard, ["middle"])[3].sweep.stop_hz > 480
