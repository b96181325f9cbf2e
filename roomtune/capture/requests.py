"""What to play for each take: sweeps in safe bands at safe levels, and the time reference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from roomtune.errors import RoomtuneError
from roomtune.signal.sweeps import Sweep
from roomtune.system.model import Output, System

MARKER_BAND_HZ = (1500.0, 8000.0)
NARROWEST_MARKER = 2.0
HIGHEST_OF_RATE = 0.46
CHANNEL_BAND_HZ = (20.0, 20000.0)
LOOPBACK_LEVEL_DBFS = -12.0
SHORTEST_S, LONGEST_S = 0.001, 120.0
LEVELS_DBFS = (-300.0, 300.0)
MOST_CHANNELS = 1024


def _check_within(name: str, value: float, least: float, most: float) -> None:
    """ValueError unless the value is a number from `least` to `most`."""
    if not least <= value <= most:
        raise ValueError(f"{name} is {value!r:.40}, expected {least:g} to {most:g}")


@dataclass(frozen=True)
class CaptureSettings:
    """How takes are made. Times in seconds.

    `lead_s` of silence gives the noise; `tail_s` after the sweep is the length of
    the response kept; markers of `marker_s` come in pairs `marker_spacing_s`
    apart before and after the sweep. `level_below_maximum_db` lowers every sweep
    under the output's `maximum_level_dbfs`, which nothing ever exceeds. Raises
    ValueError for a time beyond 120 s.
    """

    sweep_duration_s: float = 3.0
    lead_s: float = 0.7
    tail_s: float = 1.0
    end_s: float = 0.5
    marker_s: float = 0.1
    marker_spacing_s: float = 0.35
    marker_gap_s: float = 0.4
    repeats: int = 1
    maximum_attempts: int = 3
    level_below_maximum_db: float = 0.0

    def __post_init__(self) -> None:
        for name in ("lead_s", "end_s", "marker_spacing_s", "marker_gap_s", "tail_s", "marker_s"):
            least_s = SHORTEST_S if name in ("tail_s", "marker_s") else 0.0
            _check_within(name, getattr(self, name), least_s, LONGEST_S)


@dataclass(frozen=True)
class Marker:
    """A short linear chirp that tells the time: band, length and peak level."""

    start_hz: float
    stop_hz: float
    duration_s: float
    level_dbfs: float

    def __post_init__(self) -> None:
        _check_within("start_hz", self.start_hz, 1.0, 1e6)
        _check_within("stop_hz", self.stop_hz, self.start_hz + 1.0, 1e6)
        _check_within("duration_s", self.duration_s, SHORTEST_S, LONGEST_S)
        _check_within("level_dbfs", self.level_dbfs, *LEVELS_DBFS)


@dataclass(frozen=True)
class Reference:
    """The time reference of a take.

    "loopback": markers and sweep also go to `interface_output` and are recorded
    on `interface_input`. "acoustic": only the markers go to `interface_output`
    and the microphone hears them. "none": there is no common time.
    With a loopback the markers may sound on `witness_output` too (at
    `witness_level_dbfs`): what the microphone makes of four equal sounds tells
    whether the recorder changes its gain.
    """

    kind: Literal["loopback", "acoustic", "none"]
    marker: Marker | None = None
    interface_output: int | None = None
    interface_input: int | None = None
    witness_output: int | None = None
    witness_level_dbfs: float = 0.0

    def __post_init__(self) -> None:
        for name in ("interface_output", "interface_input", "witness_output"):
            _check_within(name, getattr(self, name) or 1, 1, MOST_CHANNELS)
        _check_within("witness_level_dbfs", self.witness_level_dbfs, *LEVELS_DBFS)

    @property
    def heard(self) -> bool:
        """Whether the microphone should hear the markers."""
        return self.kind == "acoustic" or self.witness_output is not None


@dataclass(frozen=True)
class TakeRequest:
    """One take to be made: what to play where, and how to find it again.

    `source` is an output's or a channel's name, as `kind` says. The sweep goes to
    `interface_output` with a peak of `level_dbfs`. With `by_hand` somebody first
    does what `instruction` says.
    """

    source: str
    kind: Literal["output", "channel"]
    seat: str
    interface_output: int
    sweep: Sweep
    level_dbfs: float
    reference: Reference
    settings: CaptureSettings = CaptureSettings()
    microphone_input: int = 1
    by_hand: bool = False
    instruction: str = ""

    def __post_init__(self) -> None:
        _check_within("interface_output", self.interface_output, 1, MOST_CHANNELS)
        _check_within("microphone_input", self.microphone_input, 1, MOST_CHANNELS)
        _check_within("level_dbfs", self.level_dbfs, *LEVELS_DBFS)

    @property
    def inputs(self) -> tuple[int, ...]:
        """Interface inputs to record: the microphone, then the loopback if any."""
        if self.reference.kind == "loopback" and self.reference.interface_input is not None:
            return (self.microphone_input, self.reference.interface_input)
        return (self.microphone_input,)


def output_requests(
    system: System, settings: CaptureSettings, seat: str
) -> tuple[TakeRequest, ...]:
    """Return one request per output of the system at a seat, in the file's order.

    Hand-switched outputs come last, so that the others run through unattended.
    Raises RoomtuneError for an unknown seat or a safe band too narrow to sweep.
    """
    _check_seat(system, seat)
    ordered = sorted(system.outputs, key=lambda output: output.playback.by_hand)
    return tuple(_output_request(system, settings, seat, output) for output in ordered)


def _output_request(
    system: System, settings: CaptureSettings, seat: str, output: Output
) -> TakeRequest:
    return TakeRequest(
        source=output.name,
        kind="output",
        seat=seat,
        interface_output=output.playback.interface_output,
        sweep=_sweep(f"output {output.name}", output.safe_band_hz, system, settings),
        level_dbfs=output.maximum_level_dbfs - settings.level_below_maximum_db,
        reference=_output_reference(system, settings, output),
        settings=settings,
        microphone_input=system.microphone.interface_input,
        by_hand=output.playback.by_hand,
        instruction=output.playback.instruction,
    )


def channel_requests(
    system: System,
    settings: CaptureSettings,
    seat: str,
    maximum_level_dbfs: float,
    players: Mapping[str, Sequence[str]] | None = None,
) -> tuple[TakeRequest, ...]:
    """Return one request per programme channel, to be played through the tuned amplifier.

    The crossovers of the tuning protect the drivers there, so each sweep covers
    all that the outputs in `players` play together, at no more than
    `maximum_level_dbfs`. `players` names the outputs of each channel; without it
    they are those of its loudspeaker and the free subwoofers. Raises
    RoomtuneError as `output_requests` does.
    """
    _check_seat(system, seat)
    level_dbfs = maximum_level_dbfs - settings.level_below_maximum_db
    reference = _channel_reference(system, settings, level_dbfs)
    return tuple(
        TakeRequest(
            source=channel.name,
            kind="channel",
            seat=seat,
            interface_output=system.interface_output_of(channel.name),
            sweep=_sweep(
                f"channel {channel.name}",
                _channel_band_hz(system, channel.name, (players or {}).get(channel.name, ())),
                system,
                settings,
            ),
            level_dbfs=level_dbfs,
            reference=reference,
            settings=settings,
            microphone_input=system.microphone.interface_input,
        )
        for channel in system.channels
    )


def _channel_band_hz(system: System, channel: str, players: Sequence[str]) -> tuple[float, float]:
    """What the outputs that play the channel cover together."""
    outputs = [output for output in system.outputs if output.name in players]
    bands = [output.safe_band_hz for output in outputs or _usual_players(system, channel)]
    low, high = min(low for low, _ in bands), max(high for _, high in bands)
    return max(low, CHANNEL_BAND_HZ[0] / 2), min(high, CHANNEL_BAND_HZ[1])


def _usual_players(system: System, channel: str) -> list[Output]:
    """The channel's own outputs and the free subwoofers; all outputs where there are none."""
    loudspeaker = system.loudspeaker_of(channel)
    names = [s.name for s in system.loudspeakers if s.channel is None]
    names += [loudspeaker.name] if loudspeaker else []
    return [output for output in system.outputs if output.loudspeaker in names] or list(
        system.outputs
    )


def _sweep(
    what: str, band_hz: tuple[float, float], system: System, settings: CaptureSettings
) -> Sweep:
    rate = float(system.audio.sample_rate_hz)
    low, high = band_hz[0], min(band_hz[1], HIGHEST_OF_RATE * rate)
    try:
        return Sweep(low, high, settings.sweep_duration_s, rate)
    except ValueError as error:
        raise RoomtuneError(f"{what} cannot be swept: {error}.") from error


def _output_reference(system: System, settings: CaptureSettings, output: Output) -> Reference:
    chosen = reference_output(system)
    if chosen is not None and (chosen.playback.by_hand or _switched_away(output, chosen)):
        chosen = None
    if chosen is None:
        return _reference(system, settings, None, 0.0, None)
    return _reference(
        system,
        settings,
        chosen.playback.interface_output,
        chosen.maximum_level_dbfs,
        chosen.safe_band_hz,
    )


def _switched_away(output: Output, chosen: Output) -> bool:
    """Whether switching to `output` by hand takes the interface output from the other."""
    theirs = chosen.playback.interface_output
    return output.playback.by_hand and output.playback.interface_output == theirs


def _channel_reference(system: System, settings: CaptureSettings, level_dbfs: float) -> Reference:
    chosen = reference_output(system)
    channel = system.loudspeaker(chosen.loudspeaker).channel if chosen is not None else None
    if chosen is None or channel is None:
        return _reference(system, settings, None, 0.0, None)
    interface_output = system.interface_output_of(channel)
    return _reference(system, settings, interface_output, level_dbfs, chosen.safe_band_hz)


def _reference(
    system: System,
    settings: CaptureSettings,
    interface_output: int | None,
    level_dbfs: float,
    safe_band_hz: tuple[float, float] | None,
) -> Reference:
    """The loopback if there is one, else the markers from one output, else none."""
    audio = system.audio
    looped = audio.loopback_output is not None and audio.loopback_input is not None
    if not looped and interface_output is None:
        return Reference("none")
    low, high = _marker_band_hz(safe_band_hz or MARKER_BAND_HZ)
    high = min(high, HIGHEST_OF_RATE * audio.sample_rate_hz)
    marker_dbfs = LOOPBACK_LEVEL_DBFS if looped else level_dbfs
    marker = Marker(low, high, settings.marker_s, marker_dbfs)
    if not looped:
        return Reference("acoustic", marker, interface_output)
    return Reference(
        "loopback",
        marker,
        interface_output=audio.loopback_output,
        interface_input=audio.loopback_input,
        witness_output=interface_output,
        witness_level_dbfs=level_dbfs,
    )


def _marker_band_hz(band_hz: tuple[float, float]) -> tuple[float, float]:
    return max(band_hz[0], MARKER_BAND_HZ[0]), min(band_hz[1], MARKER_BAND_HZ[1])


def reference_output(system: System) -> Output | None:
    """The output that plays the markers: the one named, else the best suited.

    Best suited is the widest share of the marker's band in octaves, among the
    outputs that the interface reaches by itself and that belong to a channel;
    a centre channel's goes before others. None when no output covers an octave.
    Raises RoomtuneError when the one named does not exist or cannot play markers.
    """
    name = system.audio.reference_output
    if name is not None:
        try:
            chosen = system.output(name)
        except KeyError:
            raise RoomtuneError(
                f"audio.reference_output is {name!r}, but there is no output of that name; "
                f"outputs are {', '.join(o.name for o in system.outputs)}."
            ) from None
        if _marker_ratio(chosen) < NARROWEST_MARKER:
            raise RoomtuneError(
                f"The reference output {name!r} may play {chosen.safe_band_hz[0]:g} to "
                f"{chosen.safe_band_hz[1]:g} Hz; the markers need at least one octave between "
                f"{MARKER_BAND_HZ[0]:g} and {MARKER_BAND_HZ[1]:g} Hz. Name a tweeter or a "
                f"full-range output."
            )
        return chosen
    able = [
        output
        for output in system.outputs
        if not output.playback.by_hand and _marker_ratio(output) >= NARROWEST_MARKER
    ]

    def suitability(output: Output) -> tuple[float, bool]:
        centre = system.loudspeaker(output.loudspeaker).channel == "C"
        return round(_marker_ratio(output), 3), centre

    return max(able, key=suitability, default=None)


def _marker_ratio(output: Output) -> float:
    low, high = _marker_band_hz(output.safe_band_hz)
    return high / low


def _check_seat(system: System, seat: str) -> None:
    if seat not in [item.name for item in system.seats]:
        raise RoomtuneError(
            f"There is no seat {seat!r}; seats are {', '.join(s.name for s in system.seats)}."
        )
