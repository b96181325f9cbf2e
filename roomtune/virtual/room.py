"""The virtual room: an audio interface whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import RoomtuneError
from roomtune.processor.tuning import Tuning
from roomtune.signal.recording import Recording
from roomtune.signal.values import ImpulseResponse, Unit
from roomtune.system.model import Position, System
from roomtune.virtual.acoustics import DURATION_S
from roomtune.virtual.chain import Chain
from roomtune.virtual.faults import Fault, spoil_playback, spoil_recording
from roomtune.virtual.noise import hum, room_noise_pa
from roomtune.virtual.places import rearranged
from roomtune.virtual.scenario import Scenario

Floats = NDArray[np.float64]
TAIL_S = 1.0
CONVERTER_STEPS = 2**23


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
    give the same recordings. `noise`, `drift`, `nonlinearity` (of drivers, and
    the processor's limiters) and `latency` may be switched off one by one.
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
        self.chain = Chain(scenario, system)
        self.seat = self.place = system.main_seat.name
        self.applied: Tuning | None = None
        self.switched_to: str | None = None
        self._faults: list[Fault] = []
        self._calls = 0

    # --- what a person does in the room -------------------------------------------------

    def move_microphone(self, seat: str, shift_m: Position = (0.0, 0.0, 0.0)) -> None:
        """Put the microphone on a seat, or some way beside it.

        Raises RoomtuneError when there is no such seat, or a wall in between.
        """
        if seat not in self.chain.seats:
            names = ", ".join(self.chain.seats)
            raise RoomtuneError(f"there is no seat {seat!r}; there is: {names}")
        self.place = self.chain.aside(seat, shift_m) if any(shift_m) else seat
        self.seat = seat

    def apply(self, tuning: Tuning | None) -> None:
        """Load a tuning into the processor; None makes it pass straight through.

        Raises RoomtuneError when the tuning names what does not exist or runs
        at another sample rate than the interface.
        """
        if tuning is not None:
            _known("channel", tuning.channels, [item.name for item in self.system.channels])
            _known("output", tuning.outputs, list(self.chain.outputs))
            if tuning.sample_rate_hz != self.sample_rate_hz:
                raise RoomtuneError(
                    f"the tuning runs at {tuning.sample_rate_hz:g} Hz, the interface at "
                    f"{self.sample_rate_hz:g} Hz: use one rate for both"
                )
        self.applied = tuning

    def switch_to(self, output: str | None) -> None:
        """Switch the amplifier by hand to an output that cannot be addressed otherwise.

        Raises RoomtuneError for an output that is not there.
        """
        if output is not None and output not in self.chain.outputs:
            names = ", ".join(self.chain.outputs)
            raise RoomtuneError(f"there is no output {output!r} to switch to; there is: {names}")
        self.switched_to = output

    def rearranged(self, name: str) -> VirtualRoom:
        """The room after one of the scenario's rearrangements, tuning still applied."""
        after = rearranged(self.scenario, name, self.system)
        return self._again(after, self.imperfections)

    def quiet(self) -> VirtualRoom:
        """The same room without noise, drift, nonlinearity and latency."""
        return self._again(self.scenario, Imperfections(False, False, False, False))

    def spoil_next(self, fault: Fault) -> None:
        """Let a fault happen in the next call; several add up."""
        self._faults.append(fault)

    def _again(self, scenario: Scenario, imperfections: Imperfections) -> VirtualRoom:
        room = VirtualRoom(scenario, self.system, self.seed, **asdict(imperfections))
        room.applied, room.switched_to = self.applied, self.switched_to
        room.move_microphone(self.seat)
        return room

    # --- what is true -------------------------------------------------------------------

    def truth(self, output: str, seat: str, with_microphone: bool = False) -> ImpulseResponse:
        """What one digital unit on an amplifier output becomes at a seat, times true.

        In Pa, from the amplifier's input through gain, wiring, driver and room;
        `with_microphone`: in full scale, as a recording holds it. Shape (n,).
        """
        samples = self.chain.response(output, seat, with_microphone)
        return ImpulseResponse(samples, self.sample_rate_hz, 0.0, _unit(with_microphone))

    def all_truths(self, with_microphone: bool = False) -> ImpulseResponse:
        """`truth` of every output at every seat, in the system's order: (outputs, seats, n)."""
        outputs, seats = self.chain.outputs, self.chain.seats
        samples = [[self.truth(o, s, with_microphone).samples for o in outputs] for s in seats]
        together = np.stack(samples, axis=1)
        return ImpulseResponse(together, self.sample_rate_hz, 0.0, _unit(with_microphone))

    def channel_truth(
        self, channel: str, seat: str, with_microphone: bool = False
    ) -> ImpulseResponse:
        """What one digital unit on a programme channel becomes, through the tuning.

        Raises ValueError when no tuning is applied. Shape (n,).
        """
        if self.applied is None:
            raise ValueError("apply a tuning first: channels only exist behind one")
        samples = round(1.5 * DURATION_S * self.sample_rate_hz)  # filters may ring on
        programme = np.zeros((samples, len(self.system.channels)))
        programme[0, [item.name for item in self.system.channels].index(channel)] = 1.0
        driven = self._rendered(self.applied, programme, limiters=False)
        response = self._mixed(driven, seat, with_microphone, True, samples)
        return ImpulseResponse(response, self.sample_rate_hz, 0.0, _unit(with_microphone))

    # --- the audio interface ------------------------------------------------------------

    def play_and_record(self, signals: Floats, inputs: Sequence[int]) -> Recording:
        """Play signals (n, outputs) and record inputs (1-based), as AudioInterface says.

        The recording starts the latency before the first sample and ends one
        second after the last. Input 1 (or what the system says) is the
        microphone; the loopback input hears the loopback output; others are
        silent. Raises ValueError for signals of a wrong shape or not finite.
        """
        signals = _checked(signals)
        generator = np.random.default_rng([self.seed, self._calls])
        faults, self._faults = self._faults, []
        self._calls += 1
        for fault in faults:
            signals = spoil_playback(fault, signals, self.sample_rate_hz)
        tail = np.zeros((round(TAIL_S * self.sample_rate_hz), signals.shape[1]))
        played = np.clip(np.concatenate([signals, tail]), -1.0, 1.0)
        recording = self._recorded(played, inputs, generator)
        for fault in faults:
            recording = spoil_recording(fault, recording, self.sample_rate_hz)
        events = tuple(f"{fault.kind} reported by the stream" for fault in faults if fault.reported)
        return Recording(self._converted(recording), self.sample_rate_hz, events)

    def _converted(self, recording: Floats) -> Floats:
        """What the converter delivers: clipped, and in steps of 24 bits unless it is ideal."""
        if not self.imperfections.noise:
            return np.clip(recording, -1.0, 1.0)
        return np.clip(
            np.rint(recording * CONVERTER_STEPS), -CONVERTER_STEPS, CONVERTER_STEPS - 1
        ) / (CONVERTER_STEPS)

    def _recorded(
        self, played: Floats, inputs: Sequence[int], generator: np.random.Generator
    ) -> Floats:
        """What the inputs hold: (m, inputs), late, noisy, by another clock."""
        linear = not self.imperfections.nonlinearity
        driven = self._driven(played, limiters=not linear)
        heard = self._mixed(driven, self.place, True, linear, len(played))
        lead = self._latency(generator)
        columns = [self._input(number, heard, played, lead) for number in inputs]
        recording = np.stack(columns, axis=-1)
        if self.imperfections.noise:
            at = [number == self.system.microphone.interface_input for number in inputs]
            recording[:, at] += self._noise(len(recording), generator)[:, None]
        return self._drifted(recording, generator)

    def _latency(self, generator: np.random.Generator) -> int:
        low, high = self.scenario.streams.latency_ms
        drawn = generator.uniform(low, high) if self.imperfections.latency else 0.0
        return round(drawn * 1e-3 * self.sample_rate_hz)

    def _input(self, number: int, heard: Floats, played: Floats, lead: int) -> Floats:
        """One input: the microphone, the electrical loopback, or nothing."""
        audio = self.system.audio
        if number == self.system.microphone.interface_input:
            return _later(heard, lead)
        if number == audio.loopback_input and audio.loopback_output is not None:
            column = audio.loopback_output - 1
            if column < played.shape[1]:
                return _later(played[:, column], lead)
        return np.zeros(len(played) + lead)

    def _noise(self, samples: int, generator: np.random.Generator) -> Floats:
        """Noise of the microphone input re full scale."""
        noise, rate = self.scenario.noise, self.sample_rate_hz
        sensitivity = 10 ** (self.scenario.microphone.sensitivity_dbfs_at_94_db / 20)
        acoustic = sensitivity * room_noise_pa(noise, samples, rate, generator)
        return acoustic + hum(noise, samples, rate, generator)

    def _drifted(self, recording: Floats, generator: np.random.Generator) -> Floats:
        streams = self.scenario.streams
        drift = streams.drift_ppm + streams.drift_wander_ppm * generator.standard_normal()
        if not self.imperfections.drift or drift == 0:
            return recording
        import soxr

        rate = self.sample_rate_hz
        stretched: Floats = soxr.resample(recording, rate, rate * (1 + drift * 1e-6), "VHQ")
        return stretched

    # --- from interface outputs to the microphone ---------------------------------------

    def _driven(self, played: Floats, limiters: bool) -> dict[str, Floats]:
        """Signal on every amplifier output that plays, in digital full scale."""
        if self.applied is not None:
            programme = np.zeros((len(played), len(self.system.channels)))
            for column, channel in enumerate(self.system.channels):
                carrier = self.system.interface_output_of(channel.name) - 1
                if carrier < played.shape[1]:
                    programme[:, column] = played[:, carrier]
            return self._rendered(self.applied, programme, limiters)
        driven = {}
        for name in self.chain.outputs:
            column = self._carrier(name) - 1
            if 0 <= column < played.shape[1] and np.any(played[:, column]):
                driven[name] = played[:, column]
        return driven

    def _carrier(self, output: str) -> int:
        """Interface output (1-based) that drives an amplifier output, 0 for none."""
        believed = self.system.output(output).playback
        if believed.by_hand and self.switched_to != output:
            return 0
        return self.chain.outputs[output].interface_output or believed.interface_output

    def _rendered(self, tuning: Tuning, programme: Floats, limiters: bool) -> dict[str, Floats]:
        from roomtune.processor.rendering import render

        names = [channel.name for channel in self.system.channels]
        columns = [names.index(channel.name) for channel in tuning.channels]
        signals = render(tuning, programme[:, columns], limiters=limiters)
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

        response_samples = round(DURATION_S * self.sample_rate_hz)
        length = scipy.fft.next_fast_len(samples + response_samples, real=True)
        total = np.zeros(length // 2 + 1, dtype=complex)
        for name, signal in driven.items():
            response = self.chain.response(name, seat, with_microphone)
            bent = signal if linear else self._bent(name, signal)
            total += scipy.fft.rfft(bent, length) * scipy.fft.rfft(response, length)
        mixed: Floats = scipy.fft.irfft(total, length)[:samples]
        return mixed

    def _bent(self, output: str, signal: Floats) -> Floats:
        """Add the driver's distortion; of a sixth of the rate at most, so none folds back."""
        import scipy.fft

        driver = self.chain.driver(output)
        if driver.second_order == 0 == driver.third_order:
            return signal
        length = scipy.fft.next_fast_len(len(signal), real=True)
        spectrum = scipy.fft.rfft(signal, length)
        spectrum[length // 6 :] = 0
        low = scipy.fft.irfft(spectrum, length)[: len(signal)]
        bent: Floats = driver.third_order * low + driver.second_order
        bent *= low
        bent *= low
        bent += signal
        return bent


def _unit(with_microphone: bool) -> Unit:
    return "full scale" if with_microphone else "Pa"


def _known(what: str, settings: Sequence[object], names: list[str]) -> None:
    for setting in settings:
        name = getattr(setting, "name", None)
        if name not in names:
            raise RoomtuneError(
                f"the tuning sets the {what} {name!r}; there is: {', '.join(names)}"
            )


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
        return signal[-samples:]
    return np.concatenate([np.zeros(samples), signal])
