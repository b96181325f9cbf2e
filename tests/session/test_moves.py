"""Who moved, from exact path lengths of known moves."""

from __future__ import annotations

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
