"""Takes made in a noiseless virtual room recover its impulse responses."""

from __future__ import annotations

import numpy as np
import pytest

from roomtune.capture.measure import capture_take
from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.system.reading import read_system
from roomtune.virtual.room import VirtualRoom
from roomtune.virtual.scenario import load_scenario


def looped_garden() -> VirtualRoom:
    """The garden studio without imperfections, with an electrical loopback as reference."""
    scenario = load_scenario("garden-studio")
    system = read_system(scenario.system_path)
    audio = system.audio.model_copy(update={"loopback_output": 12, "loopback_input": 2})
    return VirtualRoom(scenario, system.model_copy(update={"audio": audio})).quiet()


@pytest.mark.slow
def test_every_output_is_recovered_60_db_below_its_own_energy() -> None:
    room = looped_garden()
    ratios_db = {}
    for request in output_requests(room.system, CaptureSettings(), room.system.main_seat.name):
        take = capture_take(room, request).take
        truth = room.truth(request.source, request.seat, with_microphone=True)
        low, high = take.stimulus.valid_band_hz
        grid = take.impulse_response.response()
        inside = (grid.frequencies_hz >= low) & (grid.frequencies_hz <= high)
        frequencies = grid.frequencies_hz[inside]
        expected = truth.response_at(frequencies).values
        error = grid.values[inside] - expected
        ratio = np.sum(np.abs(error) ** 2) / np.sum(np.abs(expected) ** 2)
        ratios_db[request.source] = 10 * np.log10(ratio)
    print({name: f"{ratio:.1f} dB" for name, ratio in ratios_db.items()})
    assert max(ratios_db.values()) < -60
