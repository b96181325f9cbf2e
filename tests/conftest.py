"""What all tests share."""

from __future__ import annotations

import os
import pathlib
import sys

import pytest

# As the commands do, before numpy loads: threads that wait for each other cost the most time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

NETWORK = {
    "socket.connect", "socket.bind", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname",
    "urllib.Request",
}  # fmt: skip


def no_network(event: str, arguments: tuple[object, ...]) -> None:
    """Forbid the network to everything that the tests run in this process."""
    if event not in NETWORK:
        return
    on_this_disk = event in ("socket.connect", "socket.bind") and isinstance(arguments[1], str)
    if not on_this_disk:
        raise AssertionError(f"the network was asked for: {event} {arguments[1:]}")


sys.addaudithook(no_network)

REFERENCE = pathlib.Path(__file__).parent / "reference"


@pytest.fixture(scope="session")
def reference_folder() -> pathlib.Path:
    """Folder of published tables."""
    return REFERENCE
