"""Who moved, from exact path lengths of known moves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomtune.session.changes import Differences
from roomtune.session.moves import SOUND_SPEED_M_PER_S, find_moves
from roomtune.system.model import Loudspeaker, Output, Playback, Seat, System

PLACES = {
    "left": (0.6, 1.0, 1.0),
    "right": (0.6, 3.3, 1.0),
    "centre": (0.5, 2.1, 0.7),
    "left surround": (4.0, 0.2, 1.5),
    "right surround": (4.0, 4.1, 1.5),
}
SEATS = {"middle": (3.6, 2.1, 1.1), "left": (3.6, 1.4, 1.1), "armchair": (4.5, 1.3, 1.1)}


def make_system(placed: bool = True) -> System:
    return System(
        name="five",
        channels=(),
        loudspeakers=tuple(
            Loudspeaker(name=n, position_m=p if placed else None) for n, p in PLACES.items()
        ),
        outputs=tuple(
            Output(
                name=f"output {n}", number=i, loudspeaker=n, driver="full range",
                playback=Playback(interface_output=i), safe_band_hz=(80, 20000),
            )
            for i, n in enumerate(PLACES, start=1)
        ),
        seats=tuple(Seat(name=n, position_m=p if placed else None) for n, p in SEATS.items()),
    )  # fmt: skip


def found(speakers: dict, seats: dict, offset_s=0.0, error_s=0.0) -> Differences:
    """Exact path changes to the given new places, with another time reference per seat."""

    def distances(loudspeakers, places):
        a, b = np.array(list(loudspeakers.values())), np.array(list(places.values()))
        return np.linalg.norm(a[:, None] - b[None], axis=-1)

    change = distances({**PLACES, **speakers}, {**SEATS, **seats}) - distances(PLACES, SEATS)
    delay = change / SOUND_SPEED_M_PER_S + offset_s * np.arange(1, 4)
    delay = delay + error_s * np.random.default_rng(1).normal(size=delay.shape)
    empty = np.zeros((5, 3, 1))
    return Differences(
        tuple(f"output {n}" for n in PLACES), tuple(SEATS), np.array([1000.0]), empty, empty,
        empty == 0, empty, delay, np.zeros((5, 3)), np.full(5, 2e-6), np.ones((5, 3)),
        np.ones((5, 3)),
    )  # fmt: skip


def moved(place: tuple, x: float, y: float) -> tuple:
    return (place[0] + x, place[1] + y, place[2])


def test_nobody_moved():
    moves = find_moves(make_system(), found({}, {}, offset_s=0.004, error_s=5e-6))
    assert moves.loudspeakers_m == {}
    assert moves.seats_m == {}


@pytest.mark.parametrize("placed", [True, False])
def test_one_loudspeaker(placed):
    new = {"right": moved(PLACES["right"], 0.12, -0.05)}
    moves = find_moves(make_system(placed), found(new, {}, offset_s=0.004))
    assert set(moves.loudspeakers_m) == {"right"}
    assert moves.seats_m == {}
    size = moves.loudspeakers_m["right"]
    if placed:
        assert moves.surely["right"]
        assert size == pytest.approx(0.13, abs=0.01)
    else:
        assert not moves.surely["right"]
        assert 0.03 < size <= 0.131


def test_all_seats_together_and_a_loudspeaker_besides():
    seats = {n: moved(p, 0.4, 0.05) for n, p in SEATS.items()}
    new = {"right surround": moved(PLACES["right surround"], 0.3, -0.5)}
    moves = find_moves(make_system(), found(new, seats, offset_s=-0.002))
    assert moves.together
    assert moves.seats_m == pytest.approx(dict.fromkeys(SEATS, 0.403), abs=0.01)
    assert moves.loudspeakers_m == pytest.approx({"right surround": 0.583}, abs=0.04)


def test_one_seat():
    moves = find_moves(make_system(), found({}, {"armchair": moved(SEATS["armchair"], -0.2, 0.2)}))
    assert moves.loudspeakers_m == {}
    assert not moves.together
    assert moves.seats_m == pytest.approx({"armchair": 0.283}, abs=0.01)


def test_seats_without_known_places_moved_at_least_so_far():
    seats = {n: moved(p, 0.4, 0.0) for n, p in SEATS.items()}
    moves = find_moves(make_system(placed=False), found({}, seats))
    assert moves.loudspeakers_m == {}
    assert 0.15 < max(moves.seats_m.values()) <= 0.41


def two_only(differences: Differences, absolute: bool) -> Differences:
    """The same, of left and right alone."""
    rows = slice(0, 2)
    return replace(
        differences,
        outputs=differences.outputs[rows],
        delay_s=differences.delay_s[rows],
        sure_s=differences.sure_s[rows],
        absolute=absolute,
    )


def test_absolute_times_tell_moved_seats_from_two_moved_loudspeakers():
    seats = {name: moved(place, 0.35, -0.04) for name, place in SEATS.items()}
    told = find_moves(make_system(), two_only(found({}, seats), absolute=True))
    assert told.loudspeakers_m == {}
    assert told.together
    assert max(told.seats_m.values()) == pytest.approx(np.hypot(0.35, 0.04), abs=0.01)
    speakers = {"left": moved(PLACES["left"], 0.3, 0.0), "right": moved(PLACES["right"], 0, -0.3)}
    told = find_moves(make_system(), two_only(found(speakers, {}), absolute=True))
    assert told.seats_m == {}
    assert set(told.loudspeakers_m) == {"left", "right"}


@pytest.mark.parametrize("name", ["left", "right"])
def test_absolute_times_tell_a_single_moved_loudspeaker_of_two(name):
    differences = found({name: moved(PLACES[name], 0.1, 0.1)}, {}, error_s=2e-6)
    told = find_moves(make_system(), two_only(differences, absolute=True))
    assert set(told.loudspeakers_m) == {name}
    assert told.seats_m == {}


def test_a_wrong_peak_of_one_driver_of_three_does_no_harm():
    system = make_system()
    outputs = tuple(
        Output(
            name=f"{driver} {place}", number=3 * p + d + 1, loudspeaker=place, driver=driver,
            playback=Playback(interface_output=3 * p + d + 1), safe_band_hz=(80, 20000),
        )
        for p, place in enumerate(("left", "right"))
        for d, driver in enumerate(("woofer", "midrange", "tweeter"))
    )  # fmt: skip
    system = system.model_copy(update={"outputs": outputs})
    seats = {name: moved(place, 0.35, -0.04) for name, place in SEATS.items()}
    whole = two_only(found({}, seats), absolute=True)
    delay = np.repeat(whole.delay_s, 3, axis=0)
    delay[2, 0] += 0.26 / SOUND_SPEED_M_PER_S
    sure = np.array([5e-5, 3e-5, 1e-5, 5e-5, 3e-5, 1e-5])
    names = tuple(output.name for output in outputs)
    told = find_moves(system, replace(whole, outputs=names, delay_s=delay, sure_s=sure))
    assert told.loudspeakers_m == {}
    assert told.together
