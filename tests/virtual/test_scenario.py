"""room.toml is read, checked, and told about in sentences."""

from __future__ import annotations

import copy
import pathlib
import tomllib

import numpy as np
import pytest

from roomtune.errors import RoomtuneError
from roomtune.system.model import System
from roomtune.system.reading import read_system
from roomtune.virtual import load_scenario, shipped_scenarios
from roomtune.virtual.chain import Chain, walls
from roomtune.virtual.drivers import microphone_response
from roomtune.virtual.places import loudspeaker_positions, rearranged, seat_positions
from roomtune.virtual.scenario import Scenario, scenario_from_values
from roomtune.virtual.writing import microphone_table


@pytest.fixture
def values(garden: Scenario) -> dict:
    assert garden.folder is not None
    return copy.deepcopy(tomllib.loads((garden.folder / "room.toml").read_text()))


@pytest.mark.parametrize("name", shipped_scenarios())
def test_every_shipped_scenario_is_whole(name: str) -> None:
    """Fits its system.toml, in the room, rearrangements too; decays like a living room."""
    scenario = load_scenario(name)
    system = read_system(scenario.system_path)
    later = [rearranged(scenario, item.name, system) for item in scenario.rearrangement]
    assert later
    for item in (scenario, *later):
        chain = Chain(item, system)
        assert list(chain.outputs) == [output.name for output in system.outputs]
        assert set(chain.seats) == {seat.name for seat in system.seats}
    middle, bass = walls(scenario).decay_s(np.array([1000.0, 40.0]))
    assert 0.2 < middle < 0.45
    assert middle < bass < 0.9
    assert scenario.folder is not None
    assert scenario.system_path.parent == scenario.folder


@pytest.mark.parametrize("name", shipped_scenarios())
def test_microphone_file_is_that_of_the_true_microphone(name: str) -> None:
    scenario = load_scenario(name)
    system = System.model_validate(tomllib.loads(scenario.system_path.read_text()))
    assert scenario.folder is not None
    assert system.microphone.correction_file is not None
    text = (scenario.folder / system.microphone.correction_file).read_text()
    assert text == microphone_table(scenario.microphone)
    table = np.loadtxt(scenario.folder / system.microphone.correction_file, comments="*")
    response = microphone_response(scenario.microphone, table[:, 0])
    np.testing.assert_allclose(table[:, 1], 20 * np.log10(np.abs(response)), atol=6e-4)
    sensitivity = scenario.microphone.sensitivity_dbfs_at_94_db
    assert system.microphone.sensitivity_dbfs_at_94_db == sensitivity
    assert table[0, 0] <= 20
    assert table[-1, 0] >= 20000


def test_each_scenario_shows_another_kind_of_system() -> None:
    assert shipped_scenarios() == ("attic-stereo", "barn-cinema", "garden-studio")
    systems = {name: read_system(load_scenario(name).system_path) for name in shipped_scenarios()}
    kinds = {name: [o.driver for o in system.outputs] for name, system in systems.items()}
    assert all(output.playback.by_hand for output in systems["attic-stereo"].outputs)
    assert systems["attic-stereo"].audio.loopback_input == 2
    assert kinds["attic-stereo"].count("midrange") == 2
    assert "subwoofer" not in kinds["barn-cinema"]
    assert len(systems["barn-cinema"].channels) == 8
    assert kinds["garden-studio"].count("subwoofer") == 2


def test_the_garden_has_the_faults_that_it_is_meant_to_have(garden: Scenario) -> None:
    outputs = {output.name: output for output in garden.output}
    assert [name for name, output in outputs.items() if output.reversed] == ["centre-woofer"]
    assert {output.delay_ms for output in outputs.values()} == {0.0, 1.7}
    gains = [output.gain_error_db for output in outputs.values()]
    assert max(gains) - min(gains) > 6
    assert garden.streams.drift_ppm != 0


def test_a_folder_is_read_like_a_name(garden: Scenario) -> None:
    assert garden.folder is not None
    assert load_scenario(garden.folder) == garden


def test_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(RoomtuneError, match=r"one of: .*garden-studio") as caught:
        load_scenario("no-such-room")
    assert caught.value.exit_status == 2


def test_broken_toml_names_file_and_line(tmp_path: pathlib.Path) -> None:
    (tmp_path / "room.toml").write_text('name = "x"\nroom = ?\n')
    with pytest.raises(RoomtuneError, match=r"room\.toml cannot be read.*line"):
        load_scenario(tmp_path)


def test_all_faults_are_told_at_once(values: dict) -> None:
    values["room"]["absorption"]["floor"] = [0.1, 0.2]
    values["output"][0]["gain_eror_db"] = 1.0
    values["driver"][1]["low_q"] = -1.0
    values["streams"]["drift_ppm"] = 1e6
    with pytest.raises(RoomtuneError) as caught:
        scenario_from_values(values, "garden/room.toml")
    text = str(caught.value)
    assert text.startswith("garden/room.toml has 4 faults")
    assert "floor has 2 coefficients for 9 frequencies" in text
    assert "output[1].gain_eror_db" in text
    assert "driver[2].low_q" in text
    assert "got -1.0" in text
    assert "streams.drift_ppm" in text


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda v: v["output"][2].update(driver="whistle"), "'right-woofer' names the driver"),
        (lambda v: v.update(folder="/tmp"), "folder"),
        (
            lambda v: v["room"]["absorption"].update(
                frequencies_hz=[31.5, 63, 125, 250, 500, 500, 2000, 4000, 8000]
            ),
            "must rise",
        ),
        (
            lambda v: v["rearrangement"][0].update(absorption={"roof": [0.1] * 9}),
            "names the surface 'roof'",
        ),
        (
            lambda v: v["rearrangement"][0].update(absorption={"north": [0.1] * 3}),
            "north has 3 coefficients, expected 9",
        ),
        (
            lambda v: v["rearrangement"][1]["output"].append({"name": "tuba"}),
            "names the output 'tuba'",
        ),
        (lambda v: v["output"].append(dict(v["output"][0])), "'left-woofer' is there twice"),
        (lambda v: v["streams"].update(latency_ms=[50.0, 10.0]), "latency_ms"),
    ],
)
def test_contradictions_are_told(values: dict, change, message: str) -> None:
    change(values)
    with pytest.raises(RoomtuneError, match=message):
        scenario_from_values(values)


def test_seat_outside_the_room_is_refused(garden: Scenario, garden_system: System) -> None:
    seats = (
        garden_system.seats[0].model_copy(update={"position_m": (9.0, 2.0, 1.0)}),
        *garden_system.seats[1:],
    )
    system = garden_system.model_copy(update={"seats": seats})
    with pytest.raises(RoomtuneError, match=r"seat 'middle' at \(9.0, 2.0, 1.0\) m is outside"):
        Chain(garden, system)


def test_seat_without_a_place_is_refused(garden: Scenario, garden_system: System) -> None:
    seats = (garden_system.seats[0].model_copy(update={"position_m": None}),)
    system = garden_system.model_copy(update={"seats": seats})
    with pytest.raises(RoomtuneError, match="no position_m"):
        Chain(garden, system)


def test_outputs_of_both_files_must_be_the_same(garden: Scenario, garden_system: System) -> None:
    fewer = garden.model_copy(update={"output": garden.output[1:]})
    with pytest.raises(RoomtuneError, match="nothing of the output 'left-woofer'"):
        Chain(fewer, garden_system)
    system = garden_system.model_copy(update={"outputs": garden_system.outputs[1:]})
    with pytest.raises(RoomtuneError, match=r"room\.toml has the output 'left-woofer'"):
        Chain(garden, system)


def test_rearrangement_moves_seats_loudspeakers_and_walls(
    garden: Scenario, garden_system: System
) -> None:
    after = rearranged(garden, "sofa moved", garden_system)
    before_seats = seat_positions(garden, garden_system)
    moved = np.array([0.40, 0.05, 0.0])
    for name, place in seat_positions(after, garden_system).items():
        np.testing.assert_allclose(np.subtract(place, before_seats[name]), moved)
    before, later = (loudspeaker_positions(item, garden_system) for item in (garden, after))
    assert [name for name in before if before[name] != later[name]] == ["right-surround"]
    assert after.room.absorption.north != garden.room.absorption.north
    assert after.room.absorption.south == garden.room.absorption.south
    assert after.output == garden.output


def test_rearrangement_changes_outputs(garden: Scenario, garden_system: System) -> None:
    after = rearranged(garden, "amplifier serviced", garden_system)
    changed = {b.name: a for a, b in zip(after.output, garden.output, strict=True) if a != b}
    assert set(changed) == {"right-tweeter", "sub-rear"}
    assert changed["sub-rear"].reversed
    assert changed["sub-rear"].delay_ms == 1.7
    assert changed["right-tweeter"].gain_error_db == -3.9


def test_unknown_rearrangement_lists_what_there_is(garden: Scenario, garden_system: System) -> None:
    with pytest.raises(RoomtuneError, match="'sofa moved', 'amplifier serviced'"):
        rearranged(garden, "roof blown off", garden_system)
