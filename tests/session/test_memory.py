"""Measuring for hours needs no more memory than measuring for a minute.

Counted is what Python and numpy hold (tracemalloc), with the collector of cycles switched
off: what a take leaves behind must go by itself. `tests/benchmarks/soak_virtual.py` shows the
same for a thousand takes as resident memory.
"""

from __future__ import annotations

import gc
import tracemalloc

import pytest

from roomtune.capture.measure import capture_take
from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.session.folder import Session
from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom
from roomtune.virtual.scenario import load_scenario

SETTINGS = CaptureSettings(sweep_duration_s=0.2, lead_s=0.4, end_s=0.2, tail_s=0.3)
WARMING, COUNTED = 3, 6
ALLOWED_BYTES = 12_000  # a take: its line of the index, its files' names and checksums


@pytest.fixture
def no_collector():
    gc.collect()
    gc.disable()
    tracemalloc.start()
    yield
    tracemalloc.stop()
    gc.enable()


def test_a_take_leaves_nothing_behind_but_its_line_in_the_index(tmp_path, no_collector):
    scenario = load_scenario("attic-stereo")
    system = read_system(scenario.system_path)
    room = VirtualRoom(scenario, system, drift=False, latency=False)
    session = Session.create(tmp_path, "long", scenario.system_path)
    request = output_requests(system, SETTINGS, system.main_seat.name)[0]
    held = []
    for _ in range(WARMING + COUNTED):
        session.add(capture_take(room, request))
        held.append(tracemalloc.get_traced_memory()[0])
    growth = (held[-1] - held[WARMING - 1]) / COUNTED
    assert growth < ALLOWED_BYTES, f"{growth:.0f} bytes per take"
    assert len(Session.open(session.path).entries()) == WARMING + COUNTED
