"""The virtual room: an audio interface whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.interface import Recording
from roomtune.errors import RoomtuneError
from roomtune.processor.tuning import Tuning
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System
from roomtune.virtual import scenario as scenarios
from roomtune.virtual.acoustics import DURATION_S, Walls, room_transfer
from roomtune.virtual.drivers import (
    converter_response,
    driver_response,
    microphone_response,
    pressure_per_full_scale_pa,
    resonances,
)
from roomtune.virtual.faults import Fault, spoil_playback, spoil_recording
from roomtune.virtual.images import Radiator
from roomtune.virtual.noise import hum, room_noise_pa
from roomtune.virtual.scenario import Scenario, TrueOutput

Floats = NDArray[np.float64]
TAIL_S = 1.0


@dataclass(frozen=True)
class Imperfections:
    """Which imperfections are on; the room and the drivers' responses always are."""

    noise: bool = True
    drift: bool = True
    nonlinearity: bool = True
    latency: bool = True


class VirtualRoom:
    """Plays and records in a scenario, behind the AudioInterface protocol.

    Until a tuning is applied the processor passes straight through: every
    interface output drives the amplifier output that it is wired to. With a
    tuning, interface outputs carry programme channels through the processor.
    The microphone starts at the main seat. The same seed and the same calls
    give the same recordings.
    """

    def __init__(
        self,
        scenario: Scenario,
        system: System,
        seed: int = 0,
        *,
        noise: bool = True,
        drift: bool = True,
        nonlinearity: bool = True,
        latency: bool = True,
    ) -> None:
        self.scenario = scenario
        self.system = system
        self.seed = seed
        self.imperfections = Imperfections(noise, drift, nonlinearity, latency)
        self.sample_rate_hz = float(system.audio.sample_rate_hz)
        self.seat = system.main_seat.name
        self.applied: Tuning | None = None
        self.switched_to: str | None = None
        self._outputs = _true_outputs(scenario, system)
        self._seats = scenarios.seat_positions(scenario, system)
        self._radiators = _radiators(scenario, system, self._outputs, self._seats)
        self._responses: dict[tuple[str, str, bool], Floats] = {}
        self._faults: list[Fault] = []
        self._calls = 0

    # --- what a person does in the room -------------------------------------------------

    def move_microphone(self, seat: str) -> None:
        """Put the microphone on a seat; RoomtuneError when there is no such seat."""
        if seat not in self._seats:
            raise RoomtuneError(f"there is no seat {seat!r}; there is: {', '.join(self._seats)}")
        self.seat = seat

    def apply(self, tuning: Tuning | None) -> None:
        """Load a tuning into the processor; None makes it pass straight through.

        Raises RoomtuneError when the tuning names outputs that do not exist or
        runs at another sample rate than the interface.
        """
        if tuning is not None:
            unknown = {item.name for item in tuning.outputs} - set(self._outputs)
            if unknown:
                raise RoomtuneError(f"the tuning sets the output {min(unknown)!r}, which is none")
            if tuning.sample_rate_hz != self.sample_rate_hz:
                raise RoomtuneError(
                    f"the tuning runs at {tuning.sample_rate_hz:g} Hz, the interface at "
                    f"{self.sample_rate_hz:g} Hz: use one rate for both"
                )
        self.applied = tuning

    def switch_to(self, output: str | None) -> None:
        """Switch the amplifier by hand to an output that cannot be addressed otherwise."""
        if output is not None and output not in self._outputs:
            raise RoomtuneError(f"there is no output {output!r} to switch to")
        self.switched_to = output

    def rearranged(self, name: str) -> VirtualRoom:
        """The room after one of the scenario's rearrangements, tuning still applied."""
        after = self._with(scenarios.rearranged(self.scenario, name, self.system), **vars_of(self))
        after.applied, after.seat, after.switched_to = self.applied, self.seat, self.switched_to
        return after

    def quiet(self) -> VirtualRoom:
        """The same room without noise, drift, nonlinearity and latency."""
        ideal = {"noise": False, "drift": False, "nonlinearity": False, "latency": False}
        silent = self._with(self.scenario, **ideal)
        silent.applied, silent.seat, silent.switched_to = self.applied, self.seat, self.switched_to
        return silent

    def spoil_next(self, fault: Fault) -> None:
        """Let a fault happen in the next call; several add up."""
        self._faults.append(fault)

    def _with(self, scenario: Scenario, **imperfections: bool) -> VirtualRoom:
        return VirtualRoom(scenario, self.system, self.seed, **imperfections)

    # --- what is true -------------------------------------------------------------------

    def truth(self, output: str, seat: str, with_microphone: bool = False) -> ImpulseResponse:
        """What one digital unit on an amplifier output becomes at a seat, times true.

        In Pa, from the amplifier's input through gain, wiring, driver and room;
        `with_microphone`: in full scale, as a recording holds it. Shape (n,).
        """
        unit = "full scale" if with_microphone else "Pa"
        samples = self._response(output, seat, with_microphone)
        return ImpulseResponse(samples, self.sample_rate_hz, 0.0, unit)

    def channel_truth(
        self, channel: str, seat: str, with_microphone: bool = False
    ) -> ImpulseResponse:
        """What one digital unit on a programme channel becomes, through the tuning.

        Raises ValueError when no tuning is applied. Shape (n,).
        """
        if self.applied is None:
            raise ValueError("apply a tuning first: channels only exist behind one")
        programme = np.zeros((round(DURATION_S * self.sample_rate_hz), len(self.system.channels)))
        programme[0, [item.name for item in self.system.channels].index(channel)] = 1.0
        driven = self._rendered(self.applied, programme)
        unit = "full scale" if with_microphone else "Pa"
        samples = self._mixed(driven, seat, with_microphone, True, len(programme))
        return ImpulseResponse(samples, self.sample_rate_hz, 0.0, unit)

    # --- the audio interface ------------------------------------------------------------

    def play_and_record(self, signals: Floats, inputs: Sequence[int]) -> Recording:
        """Play signals (n, outputs) and record inputs (1-based), as AudioInterface says."""
        signals = _checked(signals)
        generator = np.random.default_rng([self.seed, self._calls])
        faults, self._faults = self._faults, []
        self._calls += 1
        for fault in faults:
            signals = spoil_playback(fault, signals, self.sample_rate_hz)
        played = np.concatenate(
            [signals, np.zeros((round(TAIL_S * self.sample_rate_hz), signals.shape[1]))]
        )
        linear = not self.imperfections.nonlinearity
        pressure = self._mixed(self._driven(played), self.seat, True, linear, len(played))
        lead = self._latency(generator)
        columns = [self._input(number, pressure, played, lead, generator) for number in inputs]
        recording = self._drifted(np.stack(columns, axis=-1), generator)
        for fault in faults:
            recording = spoil_recording(fault, recording, self.sample_rate_hz)
        events = tuple(f"{fault.kind} reported by the stream" for fault in faults if fault.reported)
        return Recording(np.clip(recording, -1.0, 1.0), self.sample_rate_hz, events)

    def _latency(self, generator: np.random.Generator) -> int:
        low, high = self.scenario.streams.latency_ms
        drawn = generator.uniform(low, high) if self.imperfections.latency else 0.0
        return round(drawn * 1e-3 * self.sample_rate_hz)

    def _input(
        self,
        number: int,
        pressure: Floats,
        played: Floats,
        lead: int,
        generator: np.random.Generator,
    ) -> Floats:
        """One input: the microphone, the electrical loopback, or nothing."""
        audio = self.system.audio
        if number == self.system.microphone.interface_input:
            heard = _later(pressure, lead)
            return heard + self._noise(len(heard), generator) if self.imperfections.noise else heard
        if number == audio.loopback_input and audio.loopback_output is not None:
            column = audio.loopback_output - 1
            if column < played.shape[1]:
                return _later(played[:, column], lead)
        return np.zeros(len(played) + lead)

    def _noise(self, samples: int, generator: np.random.Generator) -> Floats:
        sensitivity = 10 ** (self.scenario.microphone.sensitivity_dbfs_at_94_db / 20)
        pressure = room_noise_pa(self.scenario.noise, samples, self.sample_rate_hz, generator)
        return sensitivity * pressure + hum(
            self.scenario.noise, samples, self.sample_rate_hz, generator
        )

    def _drifted(self, recording: Floats, generator: np.random.Generator) -> Floats:
        streams = self.scenario.streams
        drift = streams.drift_ppm + streams.drift_wander_ppm * generator.standard_normal()
        if not self.imperfections.drift or drift == 0:
            return recording
        import soxr

        rate = self.sample_rate_hz
        return soxr.resample(recording, rate, rate * (1 + drift * 1e-6), "VHQ")

    # --- from interface outputs to the microphone ---------------------------------------

    def _driven(self, played: Floats) -> dict[str, Floats]:
        """Signal on every amplifier output that plays, in digital full scale."""
        played = np.clip(played, -1.0, 1.0)
        if self.applied is not None:
            programme = np.zeros((len(played), len(self.system.channels)))
            for column, channel in enumerate(self.system.channels):
                carrier = self.system.interface_output_of(channel.name) - 1
                if carrier < played.shape[1]:
                    programme[:, column] = played[:, carrier]
            return self._rendered(self.applied, programme)
        driven = {}
        for name, output in self._outputs.items():
            column = self._carrier(name, output) - 1
            if 0 <= column < played.shape[1] and np.any(played[:, column]):
                driven[name] = played[:, column]
        return driven

    def _carrier(self, name: str, output: TrueOutput) -> int:
        """Interface output (1-based) that drives an amplifier output, 0 for none."""
        believed = self.system.output(name)
        if believed.playback.by_hand and self.switched_to != name:
            return 0
        return output.interface_output or believed.playback.interface_output

    def _rendered(self, tuning: Tuning, programme: Floats) -> dict[str, Floats]:
        from roomtune.processor.rendering import render

        names = [channel.name for channel in self.system.channels]
        columns = [names.index(channel.name) for channel in tuning.channels]
        signals = render(tuning, programme[:, columns])
        pairs = zip(tuning.outputs, signals.T, strict=True)
        return {output.name: signal for output, signal in pairs if np.any(signal)}

    def _mixed(
        self,
        driven: dict[str, Floats],
        seat: str,
        with_microphone: bool,
        linear: bool,
        samples: int,
    ) -> Floats:
        """Sum of all outputs at a seat, shape (samples,)."""
        import scipy.fft

        length = scipy.fft.next_fast_len(
            samples + round(DURATION_S * self.sample_rate_hz), real=True
        )
        total = np.zeros(length // 2 + 1, dtype=complex)
        for name, signal in driven.items():
            response = scipy.fft.rfft(self._response(name, seat, with_microphone), length)
            bent = signal if linear else self._bent(name, signal)
            total += scipy.fft.rfft(bent, length) * response
        return scipy.fft.irfft(total, length)[:samples]

    def _bent(self, name: str, signal: Floats) -> Floats:
        """Add the driver's distortion; limited to a sixth of the rate, so none folds back."""
        import scipy.fft

        driver = self.scenario.driver_named(self._outputs[name].driver)
        if driver.second_order == 0 == driver.third_order:
            return signal
        length = scipy.fft.next_fast_len(len(signal), real=True)
        spectrum = scipy.fft.rfft(signal, length)
        spectrum[length // 6 :] = 0
        low = scipy.fft.irfft(spectrum, length)[: len(signal)]
        return signal + driver.second_order * low**2 + driver.third_order * low**3

    def _response(self, output: str, seat: str, with_microphone: bool) -> Floats:
        """Impulse response (n,) of the full chain, kept once it is known."""
        key = (output, seat, with_microphone)
        if key not in self._responses:
            import scipy.fft

            rate = round(self.sample_rate_hz)
            samples = round(DURATION_S * rate)
            frequencies_hz = np.arange(samples // 2 + 1) * (rate / samples)
            chain = self._electrical(output, frequencies_hz) * self._acoustic(output, seat, rate)
            if with_microphone:
                microphone = self.scenario.microphone
                chain *= 10 ** (microphone.sensitivity_dbfs_at_94_db / 20)
                chain *= microphone_response(microphone, frequencies_hz)
            self._responses[key] = scipy.fft.irfft(chain, samples)
        return self._responses[key]

    def _electrical(self, output: str, frequencies_hz: Floats) -> NDArray[np.complex128]:
        true = self._outputs[output]
        driver = self.scenario.driver_named(true.driver)
        gain = pressure_per_full_scale_pa(driver.sensitivity_db, true.full_scale_v)
        gain *= 10 ** (true.gain_error_db / 20) * (-1 if true.reversed else 1)
        delay = np.exp(-2j * np.pi * frequencies_hz * true.delay_ms * 1e-3)
        limit = converter_response(frequencies_hz, self.sample_rate_hz)
        peculiar = resonances(frequencies_hz, true.resonances)
        return gain * delay * limit * peculiar * driver_response(driver, frequencies_hz)

    def _acoustic(self, output: str, seat: str, rate: int) -> NDArray[np.complex128]:
        bounds = self.scenario.room
        surfaces = bounds.absorption
        rows = zip(*(getattr(surfaces, name) for name in scenarios.SURFACES), strict=True)
        walls = Walls(
            bounds.size_m, bounds.speed_of_sound_m_s, surfaces.frequencies_hz, tuple(rows)
        )
        transfer = room_transfer(
            walls, tuple(self._radiators.values()), tuple(self._seats.values()), rate
        )
        return transfer[list(self._radiators).index(output), list(self._seats).index(seat)]


def vars_of(room: VirtualRoom) -> dict[str, bool]:
    """The imperfections of a room as keyword arguments."""
    return dict(vars(room.imperfections))


def _true_outputs(scenario: Scenario, system: System) -> dict[str, TrueOutput]:
    """The truth of every output of the system; RoomtuneError when the two files differ."""
    true = {item.name: item for item in scenario.output}
    believed = [item.name for item in system.outputs]
    for name in believed:
        if name not in true:
            raise RoomtuneError(f"room.toml says nothing of the output {name!r}: add [[output]]")
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
    seats: dict[str, tuple[float, float, float]],
) -> dict[str, Radiator]:
    """Where each output's driver is and aims; without an aim, at the main seat."""
    places = scenarios.loudspeaker_positions(scenario, system)
    radiators = {}
    for name, output in outputs.items():
        place = places[system.output(name).loudspeaker]
        driver = scenario.driver_named(output.driver)
        position = tuple(a + b for a, b in zip(place.position_m, output.offset_m, strict=True))
        radiators[name] = Radiator(
            scenarios.inside(scenario, f"the driver of {name!r}", position),  # type: ignore[arg-type]
            place.aim_m or seats[system.main_seat.name],
            driver.diameter_m,
        )
    return radiators


def _checked(signals: Floats) -> Floats:
    signals = np.asarray(signals, dtype=float)
    if signals.ndim != 2 or not len(signals):
        raise ValueError(f"signals are (samples, outputs), got shape {signals.shape}")
    if not np.isfinite(signals).all():
        raise ValueError("signals hold values that are not finite")
    return signals


def _later(signal: Floats, samples: int) -> Floats:
    """The signal after a delay; a negative one means that the recording began late."""
    if samples < 0:
        return np.concatenate([signal[-samples:], np.zeros(-samples)])[: len(signal) + samples]
    return np.concatenate([np.zeros(samples), signal])
