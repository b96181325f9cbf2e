"""The audio interface over PortAudio: any sound device, input and output apart.

One full-duplex stream when both are one device, else two streams. Streams are
opened with PortAudio's own block size and high latency: fixed blocks creep
silently through a sound server. Latency is unknown and differs from stream to
stream; who calls needs a time reference inside the signal.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.devices import (
    Device,
    behind_server,
    choose_device,
    find_device,
    list_devices,
    load_sounddevice,
    refusal,
    working_rates_hz,
)
from roomtune.capture.interface import Recording
from roomtune.capture.jack_server import jack_answers
from roomtune.capture.passage import Direction, Passage
from roomtune.capture.soundserver import Kind
from roomtune.capture.streams import (
    FIRST_BLOCK_S,
    check_not_hanging,
    end_streams,
    leave_library,
    open_streams,
    start_streams,
    without_library_messages,
)
from roomtune.errors import MeasurementError, RoomtuneError

STALLED_S = 2.0
RATE_TOLERANCE = 0.01
VANISHED_S = 0.5


class PortAudioInterface:
    """Plays and records through PortAudio devices.

    `output_device`, `input_device`: number, name or part of a name (see
    `roomtune.capture.devices`); None takes the default. `lead_in_s` and
    `tail_s` of silence surround every signal, because streams may swallow the
    first part of a second and sound servers may deliver more than a second
    late. `exclusive` takes the device for us alone, at its own rate, where the
    host API can. `on_recorded` is given what all inputs recorded since the last time,
    (m, inputs), some twenty times a second while a signal plays.

    Raises RoomtuneError when a device is not found or refuses the rate.
    """

    def __init__(
        self,
        output_device: str | int | None = None,
        input_device: str | int | None = None,
        sample_rate_hz: float = 48000,
        *,
        lead_in_s: float = 0.5,
        tail_s: float | None = None,
        exclusive: bool = False,
    ) -> None:
        self.sample_rate_hz = float(sample_rate_hz)
        self.lead_in_s = lead_in_s
        self.exclusive = exclusive
        self.output_device = find_device(output_device, "output")
        self.input_device = find_device(input_device, "input")
        self.tail_s = self._usual_tail_s() if tail_s is None else tail_s
        self.on_recorded: Callable[[NDArray[np.float32]], None] | None = None
        self._passage: Passage | None = None
        self._sounded = False
        self._check_rate()

    def __repr__(self) -> str:
        return (
            f"<PortAudioInterface out {self.output_device.label!r}, "
            f"in {self.input_device.label!r}, {self.sample_rate_hz:g} Hz>"
        )

    def play_and_record(self, signals: NDArray[np.float64], inputs: Sequence[int]) -> Recording:
        """Play signals (n, outputs) and record `inputs` (1-based) meanwhile.

        The recording starts with the lead-in and ends after the tail. An
        interruption (Ctrl-C) or an error silences the output within one block.

        Raises ValueError when the signals are not finite or beyond full scale,
        RoomtuneError when the device has no such input or output or refuses to
        open, MeasurementError when the device fails on the way or records
        nothing but digital silence.
        """
        played = self._padded(signals)
        self._check_numbers(played.shape[1], inputs)
        passage = self._pass_through(played, max(inputs))
        samples = passage.recording[:, [number - 1 for number in inputs]].astype(np.float64)
        self._check_recorded(samples, inputs, bool(np.any(signals)))
        self._check_not_vanished(samples, passage)
        flagged_s = tuple(frame / self.sample_rate_hz for frame in passage.flagged_frames)
        return Recording(samples, self.sample_rate_hz, self._events(passage), flagged_s)

    def stop(self) -> None:
        """Silence the output within one block and end; for any other thread to call."""
        if self._passage is not None:
            self._passage.silence()
            self._passage.ended.set()

    # What goes in

    def _padded(self, signals: NDArray[np.float64]) -> NDArray[np.float32]:
        signals = np.asarray(signals, dtype=np.float64)
        if signals.ndim != 2 or 0 in signals.shape:
            raise ValueError(f"signals are (samples, outputs), got {signals.shape}")
        if not np.all(np.isfinite(signals)):
            raise ValueError("signals hold values that are not finite; nothing was played")
        peak = float(np.max(np.abs(signals)))
        if peak > 1:
            raise ValueError(f"signals peak at {peak:.4g}, beyond full scale; nothing was played")
        before, after = (round(t * self.sample_rate_hz) for t in (self.lead_in_s, self.tail_s))
        return np.pad(signals, ((before, after), (0, 0))).astype(np.float32)

    def _check_numbers(self, outputs: int, inputs: Sequence[int]) -> None:
        if not inputs or min(inputs) < 1:
            raise ValueError(f"inputs are numbered from 1, got {list(inputs)}")
        wanted: tuple[tuple[Kind, int, Device], ...] = (
            ("output", outputs, self.output_device),
            ("input", max(inputs), self.input_device),
        )
        for kind, number, device in wanted:
            if number > device.channels(kind):
                raise RoomtuneError(
                    f"Interface {kind} {number} is asked for, but {device.label!r} has only "
                    f"{device.channels(kind)} {kind}s; choose another device or mend the "
                    f"{kind} numbers in system.toml."
                )

    def _check_rate(self) -> None:
        kinds: tuple[tuple[Kind, Device], ...] = (
            ("output", self.output_device),
            ("input", self.input_device),
        )
        for kind, device in kinds:
            reason = refusal(device, kind, self.sample_rate_hz, self.exclusive)
            if reason is not None:
                rates = ", ".join(map(str, working_rates_hz(device, kind))) or "no usual rate"
                raise RoomtuneError(
                    f"The {kind} device {device.label!r} refuses {self.sample_rate_hz:g} Hz "
                    f"({reason}); it takes {rates}. Set sample_rate_hz in [audio] accordingly."
                )

    def _usual_tail_s(self) -> float:
        through_server = behind_server(self.output_device, "output") or behind_server(
            self.input_device, "input"
        )
        return 1.5 if through_server else 0.5

    # The passage itself

    def _pass_through(self, played: NDArray[np.float32], inputs: int) -> Passage:
        check_not_hanging()
        sound = load_sounddevice()
        streams: list[Any] = []
        self._passage = None
        try:
            passage, streams = self._opened(sound, played, inputs)
            self._passage = passage
            start_streams(passage, streams)
            self._wait(passage, streams)
            self._sounded = True
            if passage.silenced:
                raise MeasurementError(
                    f"The measurement was stopped after {self._progress(passage)}."
                )
        except sound.PortAudioError as error:
            raise MeasurementError(
                f"The sound device failed while {self._names()} played: {error}. "
                "Check that it is connected and not in use by another program, and try again."
            ) from error
        finally:
            self.stop()
            end_streams(streams)
        return passage

    def _opened(
        self, sound: Any, played: NDArray[np.float32], inputs: int
    ) -> tuple[Passage, list[Any]]:
        """Open the stream(s), looking for replugged devices once before giving up."""
        if self._served_by_jack and not jack_answers():
            raise self._server_gone()
        try:
            return self._open(sound, played, inputs)
        except sound.PortAudioError as error:
            if self._served_by_jack:
                raise self._server_gone() from error
            devices = list_devices(refresh=True)
            self.output_device = choose_device(devices, self.output_device.label, "output")
            self.input_device = choose_device(devices, self.input_device.label, "input")
            self._check_rate()
        try:
            return self._open(sound, played, inputs)
        except sound.PortAudioError as error:
            raise RoomtuneError(
                f"Cannot open {self._names()} at {self.sample_rate_hz:g} Hz: {error}. "
                "Another program may hold it; close that, or choose another device."
            ) from error

    @property
    def _served_by_jack(self) -> bool:
        """Whether a JACK server has played already: once it is gone, PortAudio would abort."""
        return self._sounded and "JACK" in self.output_device.host_api + self.input_device.host_api

    def _server_gone(self) -> MeasurementError:
        leave_library()
        return MeasurementError(
            f"{self._names()} cannot be opened any more: it was disconnected or its "
            "sound server ended. Start it again and repeat the measurement; what was "
            "measured before is kept."
        )

    def _open(
        self, sound: Any, played: NDArray[np.float32], inputs: int
    ) -> tuple[Passage, list[Any]]:
        with without_library_messages():
            return open_streams(
                sound,
                self.output_device,
                self.input_device,
                played,
                (inputs, played.shape[1]),
                self.sample_rate_hz,
                self.exclusive,
            )

    def _wait(self, passage: Passage, streams: Sequence[Any]) -> None:
        """Wait for the end, and raise MeasurementError when it will not come."""
        patience_s = 1.5 * len(passage.played) / self.sample_rate_hz + FIRST_BLOCK_S
        deadline = time.perf_counter() + patience_s
        directions: tuple[Direction, ...] = ("input", "output")
        told = 0
        while not passage.ended.wait(0.05):
            now = time.perf_counter()
            told = self._tell(passage, told)
            quiet = [d for d in directions if now - passage.last_block_s[d] > STALLED_S]
            if quiet or not all(stream.active for stream in streams):
                raise MeasurementError(self._stopped(passage, quiet))
            if now > deadline:
                raise MeasurementError(
                    f"Only {self._progress(passage)} came from {self._names()} within "
                    f"{patience_s:.0f} s: the device or the computer is too slow. "
                    "Close other programs and measure again."
                )
        self._tell(passage, told)

    def _tell(self, passage: Passage, told: int) -> int:
        """Hand on what was recorded beyond the first `told` frames; how many there are now."""
        recorded = passage.frames_recorded
        if self.on_recorded is not None and recorded > told:
            self.on_recorded(passage.recorded[told:recorded])
        return recorded

    def _stopped(self, passage: Passage, quiet: Sequence[Direction]) -> str:
        which = f" (its {' and '.join(quiet)} stalled)" if quiet else ""
        return (
            f"The sound stopped after {self._progress(passage)}{which}: {self._names()} was "
            "disconnected or its sound server ended. Connect it again and repeat the measurement."
        )

    def _progress(self, passage: Passage) -> str:
        done = passage.frames_recorded / self.sample_rate_hz
        wanted = len(passage.played) / self.sample_rate_hz
        return f"{done:.1f} of {wanted:.1f} s"

    def _names(self) -> str:
        if self.output_device == self.input_device:
            return f"the sound device {self.output_device.label!r}"
        return f"the pair of {self.output_device.label!r} and {self.input_device.label!r}"

    # What comes out

    def _check_recorded(
        self, samples: NDArray[np.float64], inputs: Sequence[int], sounded: bool
    ) -> None:
        label = self.input_device.label
        if not np.all(np.isfinite(samples)):
            raise MeasurementError(
                f"The input device {label!r} delivered values that are not numbers; "
                "its driver is faulty: choose another host API or device."
            )
        silent = [n for n, column in zip(inputs, samples.T, strict=True) if not np.any(column)]
        if len(silent) == len(inputs) or (silent and sounded):
            numbers = ", ".join(map(str, silent))
            raise MeasurementError(
                f"Input {numbers} of {label!r} recorded nothing but digital silence (exact "
                "zeros). No real microphone does that: allow this program to use the microphone "
                "(macOS: System Settings, Privacy & Security, Microphone; Windows: Settings, "
                "Privacy, Microphone), unmute it, or choose another input."
            )

    def _check_not_vanished(self, samples: NDArray[np.float64], passage: Passage) -> None:
        """Raise when nothing but exact zeros came while the signal was still playing."""
        sounding = np.flatnonzero(np.any(passage.played, axis=1))
        heard = np.flatnonzero(np.any(samples, axis=1))
        if not len(sounding):
            return
        missing = passage.recorded_before_playing + sounding[-1] - heard[-1]
        if missing > VANISHED_S * self.sample_rate_hz:
            raise MeasurementError(
                f"{self.input_device.label!r} went dead {heard[-1] / self.sample_rate_hz:.1f} s "
                "into the recording (exact zeros from there on): it was disconnected, or a noise "
                "gate shuts the microphone. Connect it again, switch any gate off, and repeat "
                "the measurement."
            )

    def _events(self, passage: Passage) -> tuple[str, ...]:
        events = list(passage.flag_events())
        rate = passage.delivered_rate_hz()
        if rate is not None and abs(rate / self.sample_rate_hz - 1) > RATE_TOLERANCE:
            events.append(
                f"the input delivered {rate:.0f} samples per second of wall time "
                f"instead of {self.sample_rate_hz:g}"
            )
        return tuple(events)
