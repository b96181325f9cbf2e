"""The rooms behind real audio servers, as fixtures; see harness.py."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import pathlib
import sys
from collections.abc import Callable, Iterator

import pytest

sys.path.insert(0, str(pathlib.Path(__file__).parent))

from harness import Room, jack_room, missing, pulse_room

REQUIRED = os.environ.get("ROOMTUNE_REQUIRE_AUDIO") == "1"


def need(*programs: str) -> None:
    """Skip, or fail where audio is required, when something is not installed."""
    absent = missing(*programs)
    if importlib.util.find_spec("jack") is None and "jackd" in programs:
        absent.append("the Python package JACK-Client")
    try:
        import sounddevice  # noqa: F401
    except (ImportError, OSError) as error:
        absent.append(f"PortAudio ({error})")
    if absent:
        text = f"not installed: {', '.join(absent)}; run .ci/install"
        if REQUIRED:
            pytest.fail(text)
        pytest.skip(text)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything in this folder needs an audio server."""
    here = pathlib.Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.audio)


class Shared:
    """One room for all tests; a new one where the last has died."""

    def __init__(self, start: Callable[[], contextlib.AbstractContextManager[Room]]) -> None:
        self.start = start
        self.stack = contextlib.ExitStack()
        self.room: Room | None = None

    def living(self) -> Room:
        if self.room is None or not self.room.alive:
            self.stack.close()
            self.room = self.stack.enter_context(self.start())
        return self.room


@pytest.fixture(scope="session")
def shared_rooms() -> Iterator[dict[str, Shared]]:
    """The rooms that tests share, ended after the last test."""
    rooms = {"jack": Shared(jack_room), "pulse": Shared(pulse_room)}
    yield rooms
    for room in rooms.values():
        room.stack.close()


@pytest.fixture
def jack(shared_rooms: dict[str, Shared]) -> Iterator[Room]:
    """The JACK server with the room that all tests share."""
    need("jackd")
    room = shared_rooms["jack"].living()
    yield room
    assert room.alive, room.obituary()


@pytest.fixture
def pulse(shared_rooms: dict[str, Shared]) -> Iterator[Room]:
    """The PulseAudio server with the room that all tests share."""
    need("pulseaudio", "pactl", "pacat", "parec")
    room = shared_rooms["pulse"].living()
    yield room
    assert room.alive, room.obituary()


@pytest.fixture
def own_jack() -> Iterator[Room]:
    """A JACK server that the test may break."""
    need("jackd")
    with jack_room() as room:
        yield room


@pytest.fixture
def own_pulse() -> Iterator[Room]:
    """A PulseAudio server that the test may break."""
    need("pulseaudio", "pactl", "pacat", "parec")
    with pulse_room() as room:
        yield room


@pytest.fixture
def server(request: pytest.FixtureRequest) -> Room:
    """The room behind the server that the test is parametrised with."""
    return request.getfixturevalue(request.param)
