"""The chain from an amplifier output to the microphone: what is true in a scenario."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import RoomtuneError
from roomtune.system.model import Position, System
from roomtune.virtual.acoustics import DURATION_S, Walls, response_grid_hz, room_transfer
from roomtune.virtual.drivers import (
    converter_response,
    driver_response,
    microphone_response,
    pressure_per_full_scale_pa,
    resonances,
)
from roomtune.virtual.images import Radiator
from roomtune.virtual.places import inside, loudspeaker_positions, seat_positions
from roomtune.virtual.scenario import SURFACES, Driver, Scenario, TrueOutput

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


class Chain:
    """Impulse responses of every output at every seat, computed when first asked for.

    Raises RoomtuneError when room.toml and system.toml do not fit each other.
    """

    def __init__(self, scenario: Scenario, system: System) -> None:
        self.scenario = scenario
        self.rate = system.audio.sample_rate_hz
        self.outputs = true_outputs(scenario, system)
        self.seats = seat_positions(scenario, system)
        self.radiators = _radiators(scenario, system, self.outputs, self.seats)
        self.asides: dict[str, Position] = {}
        self._known: dict[tuple[str, str, bool], Floats] = {}

    def driver(self, output: str) -> Driver:
        """The kind of driver on an output."""
        return self.scenario.driver_named(self.outputs[output].driver)

    def aside(self, seat: str, shift_m: Position) -> str:
        """Name a place beside a seat, to ask for responses there; forgets the one before."""
        (x, y, z), (dx, dy, dz) = self.seats[seat], shift_m
        name = f"{seat} {dx:+.3f} {dy:+.3f} {dz:+.3f} m"
        place = inside(self.scenario, f"the microphone at {name}", (x + dx, y + dy, z + dz))
        if name not in self.asides:
            self._known = {key: kept for key, kept in self._known.items() if key[1] in self.seats}
            self.asides = {name: place}
        return name

    def response(self, output: str, seat: str, with_microphone: bool) -> Floats:
        """Impulse response (n,): Pa, or with the microphone full scale, per full scale."""
        key = (output, seat, with_microphone)
        if key not in self._known:
            import scipy.fft

            samples = round(DURATION_S * self.rate)
            frequencies_hz = response_grid_hz(self.rate)
            spectrum = self._electrical(output, frequencies_hz) * self._acoustic(output, seat)
            if with_microphone:
                microphone = self.scenario.microphone
                spectrum *= 10 ** (microphone.sensitivity_dbfs_at_94_db / 20)
                spectrum *= microphone_response(microphone, frequencies_hz)
            known = scipy.fft.irfft(spectrum, samples)
            known.flags.writeable = False
            self._known[key] = known
        return self._known[key]

    def _electrical(self, output: str, frequencies_hz: Floats) -> Complex:
        """From full scale to Pa at one metre: amplifier, wiring, driver."""
        true, driver = self.outputs[output], self.driver(output)
        gain = pressure_per_full_scale_pa(driver.sensitivity_db, true.full_scale_v)
        gain *= 10 ** (true.gain_error_db / 20) * (-1 if true.reversed else 1)
        delay = np.exp(-2j * np.pi * frequencies_hz * true.delay_ms * 1e-3)
        limit = converter_response(frequencies_hz, self.rate)
        peculiar = resonances(frequencies_hz, true.resonances)
        amplifier: Complex = gain * delay * limit
        return amplifier * peculiar * driver_response(driver, frequencies_hz)

    def _acoustic(self, output: str, seat: str) -> Complex:
        """From one metre in free field to the seat."""
        place = self.asides[seat] if seat in self.asides else self.seats[seat]
        radiators = tuple(self.radiators.values())
        transfer = room_transfer(walls(self.scenario), radiators, (place,), self.rate)
        chosen: Complex = transfer[list(self.radiators).index(output), 0]
        return chosen


def walls(scenario: Scenario) -> Walls:
    """The bare room of a scenario."""
    room = scenario.room
    columns = [getattr(room.absorption, name) for name in SURFACES]
    rows = tuple(zip(*columns, strict=True))
    return Walls(room.size_m, room.speed_of_sound_m_s, room.absorption.frequencies_hz, rows)


def true_outputs(scenario: Scenario, system: System) -> dict[str, TrueOutput]:
    """The truth of every output of the system; RoomtuneError when the two files differ."""
    true = {item.name: item for item in scenario.output}
    believed = [item.name for item in system.outputs]
    for name in believed:
        if name not in true:
            raise RoomtuneError(
                f"room.toml says nothing of the output {name!r} of system.toml: add [[output]]"
            )
    for name in true:
        if name not in believed:
            raise RoomtuneError(
                f"room.toml has the output {name!r}, system.toml has only: {', '.join(believed)}"
            )
    return {name: true[name] for name in believed}


def _radiators(
    scenario: Scenario,
    system: System,
    outputs: dict[str, TrueOutput],
    seats: dict[str, Position],
) -> dict[str, Radiator]:
    """Where each output's driver is and aims; without an aim, at the main seat."""
    places = loudspeaker_positions(scenario, system)
    radiators = {}
    for name, output in outputs.items():
        stand = places[system.output(name).loudspeaker]
        (x, y, z), (dx, dy, dz) = stand.position_m, output.offset_m
        position = inside(scenario, f"the driver of {name!r}", (x + dx, y + dy, z + dz))
        aim = stand.aim_m or seats[system.main_seat.name]
        radiators[name] = Radiator(position, aim, scenario.driver_named(output.driver).diameter_m)
    return radiators
