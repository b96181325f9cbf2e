"""Random scenarios are sound, varied and repeatable."""

from __future__ import annotations

import pathlib

import numpy as np
import pytest

from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom, load_scenario
from roomtune.virtual.chain import Chain, walls
from roomtune.virtual.places import rearranged
from roomtune.virtual.random import random_scenario
from roomtune.virtual.writing import write_scenario

SEEDS = range(120)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_seed_gives_a_sound_system_in_a_sound_room(seed: int, tmp_path: pathlib.Path) -> None:
    scenario, system = random_scenario(seed)
    write_scenario(tmp_path, scenario, system)
    assert read_system(tmp_path / "system.toml") == system  # every cross-check passes
    assert load_scenario(tmp_path).model_copy(update={"folder": None}) == scenario
    chain = Chain(scenario, system)
    Chain(rearranged(scenario, "sofa moved", system), system)
    decay = walls(scenario).decay_s(np.array([1000.0, 40.0]))
    assert np.all((decay > 0.15) & (decay < 1.0))
    places = {radiator.position_m for radiator in chain.radiators.values()}
    assert len(places) == len(system.outputs)


def test_seeds_differ_and_repeat() -> None:
    assert random_scenario(5) == random_scenario(5)
    systems = [random_scenario(seed)[1] for seed in SEEDS]
    assert {len(system.channels) for system in systems} >= {2, 3, 4, 6, 8}
    assert {len(system.seats) for system in systems} == {2, 3, 4, 5}
    assert {sum(o.driver == "subwoofer" for o in s.outputs) for s in systems} == {0, 1, 2, 3}
    assert len({len(system.outputs) for system in systems}) > 8


def test_faults_are_common_but_not_the_rule() -> None:
    outputs = [output for seed in SEEDS for output in random_scenario(seed)[0].output]
    assert 0.13 < np.mean([output.reversed for output in outputs]) < 0.23
    assert 1.5 < np.std([output.gain_error_db for output in outputs]) < 2.5
    assert 0.1 < np.mean([output.delay_ms > 0 for output in outputs]) < 0.6


@pytest.mark.parametrize("seed", [1, 2])
def test_it_plays(seed: int) -> None:
    scenario, system = random_scenario(seed)
    room = VirtualRoom(scenario, system)
    click = np.zeros((4800, len(system.outputs)))
    click[100, 0] = 0.9
    recorded = room.play_and_record(click, [1]).samples
    silent = room.play_and_record(0 * click, [1]).samples
    assert np.abs(recorded).max() > 20 * np.abs(silent).max()


def test_what_is_asked_for_is_given() -> None:
    scenario, system = random_scenario(3, layout="stereo", subwoofers=4, seats=9)
    assert [channel.name for channel in system.channels] == ["L", "R", "LFE"]
    assert sum(output.driver == "subwoofer" for output in system.outputs) == 4
    assert len({seat.position_m for seat in system.seats}) == 9
    Chain(scenario, system)


@pytest.mark.parametrize("wrong", [{"layout": "9.9"}, {"subwoofers": 5}, {"seats": 0}])
def test_what_cannot_be_is_refused(wrong: dict) -> None:
    with pytest.raises(ValueError, match="got"):
        random_scenario(1, **wrong)
