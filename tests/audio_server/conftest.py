"""The rooms behind real audio servers, as fixtures; see harness.py."""

from __future__ import annotations

import importlib.util
import os
import pathlib
import sys
from collections.abc import Iterator

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


@pytest.fixture(scope="session")
def jack() -> Iterator[Room]:
    """One JACK server with the room, for the whole session."""
    need("jackd")
    with jack_room() as room:
        yield room


@pytest.fixture(scope="session")
def pulse() -> Iterator[Room]:
    """One PulseAudio server with the room, for the whole session."""
    need("pulseaudio", "pactl", "pacat", "parec")
    with pulse_room() as room:
        yield room


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
