"""What is installed: the system and its parts, as checked values.

Read from system.toml by `roomtune.system.reading`. Every part is immutable.
Names of channels follow ITU-R BS.775 where they exist there.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

Forbidden = Literal[
    "boost",
    "equaliser",
    "bass redirection",
    "low shelf",
    "high shelf",
    "all pass",
    "notch",
    "FIR",
    "Linkwitz-Riley",
    "Butterworth",
    "Bessel",
]
DriverKind = Literal["subwoofer", "woofer", "midrange", "tweeter", "full range"]
Name = Annotated[str, Field(pattern=r"^[\w][\w .+-]{0,39}$")]
Number = Annotated[int, Field(ge=1, le=1024)]
Position = tuple[float, float, float]


class Part(BaseModel):
    """Base of all parts: frozen, and no key that it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Channel(Part):
    """A programme channel as delivered, and where the interface plays it.

    `interface_output` is the interface output (1-based) that carries the
    channel into the tuned amplifier, used by `verify`; without it the channel
    takes the number of its place in the list.
    """

    name: Name
    kind: Literal["main", "low frequency effects"] = "main"
    interface_output: Number | None = None


class DriverData(Part):
    """Published small-signal and limit data of a driver, where known."""

    resonance_hz: Annotated[float, Field(gt=0)] | None = None
    total_q: Annotated[float, Field(gt=0)] | None = None
    electrical_q: Annotated[float, Field(gt=0)] | None = None
    equivalent_volume_l: Annotated[float, Field(gt=0)] | None = None
    piston_area_cm2: Annotated[float, Field(gt=0)] | None = None
    peak_excursion_mm: Annotated[float, Field(gt=0)] | None = None
    thermal_power_w: Annotated[float, Field(gt=0)] | None = None
    nominal_impedance_ohm: Annotated[float, Field(gt=0)] | None = None
    sensitivity_db: float | None = None


class Enclosure(Part):
    """The box behind a driver."""

    kind: Literal["sealed", "vented", "open"] = "sealed"
    volume_l: Annotated[float, Field(gt=0)] | None = None


class Playback(Part):
    """How a signal reaches this output during measurement.

    `interface_output`: the interface output (1-based) to play on. With
    `by_hand` the interface cannot address the driver by itself: the amplifier
    is switched to it by hand while that interface output plays; `instruction`
    says what to switch.
    """

    interface_output: Number
    by_hand: bool = False
    instruction: str = ""


class Output(Part):
    """One amplifier output with one driver (or drivers wired together) on it.

    `safe_band_hz`: nothing outside is ever played loudly into this driver.
    `maximum_level_dbfs`: peak level, re digital full scale, never exceeded.
    `full_scale_v`: rms voltage at the driver of a full-scale sine, where known.
    """

    name: Name
    number: Number
    loudspeaker: Name
    driver: DriverKind
    playback: Playback
    safe_band_hz: tuple[float, float]
    maximum_level_dbfs: Annotated[float, Field(le=0)] = -12.0
    full_scale_v: Annotated[float, Field(gt=0)] | None = None
    data: DriverData = DriverData()
    enclosure: Enclosure | None = None


class Loudspeaker(Part):
    """The outputs that together reproduce a channel at one place.

    `channel`: the channel it reproduces; none for a subwoofer that only takes
    redirected bass and LFE. `position_m`: (x, y, z) in the room, where known.
    """

    name: Name
    channel: Name | None = None
    position_m: Position | None = None


class Seat(Part):
    """A microphone position. The heavier the weight, the more it counts."""

    name: Name
    weight: Annotated[float, Field(ge=0)] = 1.0
    main: bool = False
    position_m: Position | None = None


class Microphone(Part):
    """The microphone.

    `sensitivity_dbfs_at_94_db`: root mean square of what 1 Pa (94 dB) is recorded
    as, in dB re a sample of 1, where known. A full-scale sine has -3.01 dB.
    """

    correction_file: str | None = None
    sensitivity_dbfs_at_94_db: float | None = None
    interface_input: Number = 1


class AudioSettings(Part):
    """The audio interface: devices by name or number, rate, timing reference.

    `exclusive`: take the devices for us alone, at their own rate, where that can be.
    """

    sample_rate_hz: Annotated[int, Field(ge=44100, le=192000)] = 48000
    output_device: str | int | None = None
    input_device: str | int | None = None
    exclusive: bool = False
    loopback_output: Number | None = None
    loopback_input: Number | None = None
    reference_output: Name | None = None


class Range(Part):
    """Range of a knob in its own unit: minimum, maximum, step between values (0: continuous)."""

    minimum: float
    maximum: float
    step: Annotated[float, Field(ge=0)] = 0.0


class Processor(Part):
    """What the amplifier's signal processor can do.

    `filters_per_*` count parametric sections; the crossover high pass and low
    pass of an output are separate from them. `crossovers` lists the orders
    that each family offers. `frequency_significant_digits` 0 means any value.
    `limiter_*`: what its limiters can be set to.
    """

    sample_rate_hz: Annotated[int, Field(ge=44100, le=192000)] = 48000
    filters_per_channel: Annotated[int, Field(ge=0)] = 0
    filters_per_route: Annotated[int, Field(ge=0)] = 0
    filters_per_output: Annotated[int, Field(ge=0)] = 10
    filter_types: tuple[Literal["peaking", "low shelf", "high shelf", "all pass", "notch"], ...] = (
        "peaking",
        "low shelf",
        "high shelf",
    )
    crossovers: dict[Literal["Linkwitz-Riley", "Butterworth", "Bessel"], tuple[int, ...]] = {
        "Linkwitz-Riley": (2, 4, 8),
        "Butterworth": (1, 2, 3, 4),
    }
    delay_ms: Range = Range(minimum=0, maximum=40, step=0.01)
    gain_db: Range = Range(minimum=-60, maximum=12, step=0.1)
    filter_gain_db: Range = Range(minimum=-18, maximum=12, step=0.1)
    filter_q: Range = Range(minimum=0.3, maximum=20, step=0.01)
    filter_frequency_hz: Range = Range(minimum=10, maximum=20000, step=0.1)
    frequency_significant_digits: Annotated[int, Field(ge=0, le=12)] = 0
    route_gains: bool = True
    route_delays: bool = False
    limiters: bool = True
    limiter_threshold_dbfs: Range = Range(minimum=-60, maximum=0)
    limiter_attack_ms: Range = Range(minimum=0, maximum=1000)
    limiter_release_ms: Range = Range(minimum=1, maximum=10000)
    number_format: str = "float32"
    fir_taps_per_output: Annotated[int, Field(ge=0)] = 0


class Target(Part):
    """The wanted response at the seats.

    `tilt_db_per_octave` turns about 1 kHz; `bass_lift_db` rises below
    `bass_lift_below_hz`; `curve_file` (columns frequency, dB) replaces both.
    `adjustments` change any of them in words: "2 dB more below 100 Hz" (see
    `roomtune.system.target_words`).
    """

    shape: Literal["tilt", "cinema", "file"] = "tilt"
    tilt_db_per_octave: float = -0.6
    bass_lift_db: float = 3.0
    bass_lift_below_hz: Annotated[float, Field(gt=0)] = 100.0
    curve_file: str | None = None
    adjustments: tuple[str, ...] = ()


class Wishes(Part):
    """What the user pins or forbids; the rest of the advice adapts.

    `crossovers_hz` pins a loudspeaker's crossovers, lowest first.
    `leave_alone` names loudspeakers that get no equaliser. `forbid` lists what
    is not used anywhere: filter types, crossover families, "FIR", "boost",
    "equaliser", "bass redirection". `bass`: "mono" plays redirected bass from all subwoofers,
    "stereo" that of left and right channels from those on their side. `fir`: what
    taps are for, where there are any: "minimum phase" corrects the level alone,
    "mixed phase" also the phase that crossovers turn. `gains_db`, `delays_ms`
    and `polarities` pin what outputs are set to, by their names.
    """

    maximum_boost_db: Annotated[float, Field(ge=0)] = 6.0
    bass_crossover_hz: Annotated[float, Field(gt=0)] | None = None
    crossovers_hz: dict[str, tuple[float, ...]] = {}
    leave_alone: tuple[str, ...] = ()
    forbid: tuple[Forbidden, ...] = ()
    bass: Literal["mono", "stereo"] = "mono"
    fir: Literal["minimum phase", "mixed phase"] = "minimum phase"
    gains_db: dict[str, float] = {}
    delays_ms: dict[str, Annotated[float, Field(ge=0)]] = {}
    polarities: dict[str, Literal["normal", "inverted"]] = {}


class System(Part):
    """All that is installed. Cross-references are checked when it is read."""

    name: str
    channels: tuple[Channel, ...]
    loudspeakers: tuple[Loudspeaker, ...]
    outputs: tuple[Output, ...]
    seats: tuple[Seat, ...]
    microphone: Microphone = Microphone()
    audio: AudioSettings = AudioSettings()
    processor: Processor = Processor()
    target: Target = Target()
    wishes: Wishes = Wishes()
    room_size_m: Position | None = None

    def output(self, name: str) -> Output:
        """The output of that name; KeyError when there is none."""
        return next_named(self.outputs, name)

    def seat(self, name: str) -> Seat:
        """The seat of that name; KeyError when there is none."""
        return next_named(self.seats, name)

    def channel(self, name: str) -> Channel:
        """The channel of that name; KeyError when there is none."""
        return next_named(self.channels, name)

    def loudspeaker(self, name: str) -> Loudspeaker:
        """The loudspeaker of that name; KeyError when there is none."""
        return next_named(self.loudspeakers, name)

    def outputs_of(self, loudspeaker: str) -> tuple[Output, ...]:
        """The outputs of a loudspeaker, in the order of the file."""
        return tuple(o for o in self.outputs if o.loudspeaker == loudspeaker)

    def loudspeaker_of(self, channel: str) -> Loudspeaker | None:
        """The loudspeaker that reproduces a channel, if one does."""
        return next((s for s in self.loudspeakers if s.channel == channel), None)

    @property
    def main_seat(self) -> Seat:
        """The seat marked main, else the first."""
        return next((s for s in self.seats if s.main), self.seats[0])

    def interface_output_of(self, channel: str) -> int:
        """The interface output (1-based) that carries a programme channel.

        Raises KeyError for a channel that the system does not have.
        """
        for place, item in enumerate(self.channels, start=1):
            if item.name == channel:
                return item.interface_output or place
        raise KeyError(channel)


_Named = TypeVar("_Named", Channel, Output, Loudspeaker, Seat)


def next_named(items: Iterable[_Named], name: str) -> _Named:
    """The first item of that name; KeyError when there is none."""
    for item in items:
        if item.name == name:
            return item
    raise KeyError(name)
