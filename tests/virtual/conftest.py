"""The demo scenario, shared by the tests of the virtual room."""

from __future__ import annotations

import tomllib

import pytest

from roomtune.system.model import System
from roomtune.virtual import Scenario, VirtualRoom, load_scenario


@pytest.fixture(scope="session")
def garden() -> Scenario:
    return load_scenario("garden-studio")


@pytest.fixture(scope="session")
def garden_system(garden: Scenario) -> System:
    return System.model_validate(tomllib.loads(garden.system_path.read_text()))


@pytest.fixture
def garden_room(garden: Scenario, garden_system: System) -> VirtualRoom:
    """A fresh room; its responses are kept between tests."""
    return VirtualRoom(garden, garden_system)
