"""What is true in a virtual room, as checked values read from room.toml.

Next to it stands a system.toml, which says what the user believes; positions
that room.toml does not give are taken from there. The keys are documented at
the fields below and in the scenarios that come with the package.
"""

from __future__ import annotations

import pathlib
from typing import Annotated, Any

from pydantic import Field, ValidationError, model_validator

from roomtune.errors import RoomtuneError
from roomtune.system.model import Name, Part, Position

Positive = Annotated[float, Field(gt=0)]
Absorption = tuple[Annotated[float, Field(gt=0, lt=0.95)], ...]
SURFACES = ("west", "east", "south", "north", "floor", "ceiling")
SHIPPED = pathlib.Path(__file__).parent / "scenarios"


class Surfaces(Part):
    """Random-incidence absorption of each surface at `frequencies_hz`.

    west is x = 0, east x = length, south y = 0, north y = width.
    """

    frequencies_hz: tuple[Positive, ...]
    west: Absorption
    east: Absorption
    south: Absorption
    north: Absorption
    floor: Absorption
    ceiling: Absorption

    @model_validator(mode="after")
    def _fits(self) -> Surfaces:
        if list(self.frequencies_hz) != sorted(set(self.frequencies_hz)):
            raise ValueError(f"frequencies_hz must rise, got {self.frequencies_hz}")
        for name in SURFACES:
            got, expected = len(getattr(self, name)), len(self.frequencies_hz)
            if got != expected:
                raise ValueError(
                    f"{name} has {got} coefficients for {expected} frequencies: give one each"
                )
        return self


class Bounds(Part):
    """The bare room: length (x), width (y), height (z), and its surfaces."""

    size_m: Annotated[tuple[Positive, Positive, Positive], Field()]
    speed_of_sound_m_s: Positive = 343.2
    absorption: Surfaces


class Resonance(Part):
    """A peak or dip of a driver or microphone, minimum phase."""

    frequency_hz: Positive
    q: Positive
    gain_db: float


class Driver(Part):
    """A kind of driver in its box.

    `sensitivity_db`: level at 1 m for 2.83 V in the middle of the band.
    `low_corner_hz`, `low_q`: fc and Qtc of the sealed box. `upper_corner_hz`,
    `upper_order`: Butterworth roll-off. `diameter_m`: of the diaphragm, for
    the directivity. `second_order`, `third_order`: coefficients of the
    polynomial x + second x^2 + third x^3 at digital full scale.
    """

    name: Name
    sensitivity_db: float
    low_corner_hz: Positive
    low_q: Positive = 0.707
    upper_corner_hz: Positive
    upper_order: Annotated[int, Field(ge=1, le=8)] = 2
    resonances: tuple[Resonance, ...] = ()
    diameter_m: Positive = 0.1
    second_order: float = 0.0
    third_order: float = 0.0


class TrueOutput(Part):
    """An amplifier output and what is wired to it.

    `interface_output`: the interface output that really drives it when the
    processor passes straight through; left out, the one that system.toml
    believes. `offset_m`: of the driver from the loudspeaker's position.
    """

    name: Name
    driver: Name
    offset_m: Position = (0.0, 0.0, 0.0)
    gain_error_db: float = 0.0
    reversed: bool = False
    delay_ms: Annotated[float, Field(ge=0, le=100)] = 0.0
    full_scale_v: Positive = 20.0
    resonances: tuple[Resonance, ...] = ()
    interface_output: Annotated[int, Field(ge=1)] | None = None


class TrueLoudspeaker(Part):
    """Where a loudspeaker really stands and the point that it aims at."""

    name: Name
    position_m: Position
    aim_m: Position | None = None


class TrueSeat(Part):
    """Where the microphone really is when it is put on a seat."""

    name: Name
    position_m: Position


class TrueMicrophone(Part):
    """The microphone: 1 Pa becomes `sensitivity_dbfs_at_94_db` re full scale."""

    sensitivity_dbfs_at_94_db: float = -30.0
    low_corner_hz: Positive = 6.0
    upper_corner_hz: Positive = 28000.0
    resonances: tuple[Resonance, ...] = ()


class Noise(Part):
    """Noise at the microphone.

    `room_level_db`: overall level re 20 uPa of the room's noise (density falling
    as 1/f, 20 Hz to 20 kHz); `self_noise_db`: white, likewise; `hum_dbfs`: level of
    each mains harmonic in the recording, first = the mains frequency.
    """

    room_level_db: float = 32.0
    self_noise_db: float = 22.0
    mains_hz: Positive = 50.0
    hum_dbfs: tuple[float, ...] = (-92.0, -100.0, -95.0, -104.0, -101.0)


class Streams(Part):
    """The audio interface's clocks and buffers.

    `latency_ms`: every call starts its recording this much before the first
    sample leaves, drawn anew between the two (negative: after it).
    `drift_ppm`: how much faster the microphone's clock runs than the
    playback's; `drift_wander_ppm`: how that scatters from call to call.
    """

    latency_ms: tuple[float, float] = (5.0, 180.0)
    drift_ppm: Annotated[float, Field(ge=-1000, le=1000)] = 0.0
    drift_wander_ppm: Annotated[float, Field(ge=0, le=100)] = 0.0

    @model_validator(mode="after")
    def _in_order(self) -> Streams:
        low, high = self.latency_ms
        if not -1000 <= low <= high <= 5000:
            raise ValueError(
                f"latency_ms is [shortest, longest] between -1000 and 5000, got [{low}, {high}]"
            )
        return self


class Change(Part):
    """How an output differs after a rearrangement; what is not given stays."""

    name: Name
    gain_error_db: float | None = None
    reversed: bool | None = None
    delay_ms: Annotated[float, Field(ge=0, le=100)] | None = None


class Rearrangement(Part):
    """Something that happens to the room later, by name ("sofa moved")."""

    name: str
    seats_moved_m: Position = (0.0, 0.0, 0.0)
    absorption: dict[str, Absorption] = Field(default_factory=dict)
    loudspeaker: tuple[TrueLoudspeaker, ...] = ()
    output: tuple[Change, ...] = ()


class Scenario(Part):
    """A virtual room and all that plays in it."""

    name: str
    room: Bounds
    driver: tuple[Driver, ...]
    output: tuple[TrueOutput, ...]
    loudspeaker: tuple[TrueLoudspeaker, ...] = ()
    seat: tuple[TrueSeat, ...] = ()
    microphone: TrueMicrophone = TrueMicrophone()
    noise: Noise = Noise()
    streams: Streams = Streams()
    rearrangement: tuple[Rearrangement, ...] = ()
    folder: Annotated[pathlib.Path | None, Field(exclude=True)] = None

    @model_validator(mode="after")
    def _names_fit(self) -> Scenario:
        for what in ("driver", "output", "loudspeaker", "seat", "rearrangement"):
            _once(what, [item.name for item in getattr(self, what)])
        drivers = [driver.name for driver in self.driver]
        outputs = [output.name for output in self.output]
        for output in self.output:
            _exists(f"output {output.name!r} names the driver", output.driver, drivers)
        for later in self.rearrangement:
            where = f"rearrangement {later.name!r}"
            for change in later.output:
                _exists(f"{where} names the output", change.name, outputs)
            for surface, values in later.absorption.items():
                _exists(f"{where} names the surface", surface, list(SURFACES))
                got, expected = len(values), len(self.room.absorption.frequencies_hz)
                if got != expected:
                    raise ValueError(
                        f"{where}: {surface} has {got} coefficients, expected {expected}"
                    )
        return self

    @property
    def system_path(self) -> pathlib.Path:
        """The system.toml beside room.toml; ValueError when built in memory."""
        if self.folder is None:
            raise ValueError("this scenario was not read from a folder")
        return self.folder / "system.toml"

    def driver_named(self, name: str) -> Driver:
        """The driver of that name; KeyError when there is none."""
        return {driver.name: driver for driver in self.driver}[name]


def _exists(what: str, name: str, names: list[str]) -> None:
    if name not in names:
        raise ValueError(f"{what} {name!r}; there is: {', '.join(names)}")


def _once(what: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"{what} {name!r} is there twice: names must differ")


def shipped_scenarios() -> tuple[str, ...]:
    """Names of the scenarios that come with the package."""
    return tuple(sorted(path.parent.name for path in SHIPPED.glob("*/room.toml")))


def load_scenario(folder_or_name: str | pathlib.Path) -> Scenario:
    """Read room.toml of a folder, or a scenario that comes with the package.

    Raises RoomtuneError that names the file, every fault and what to do.
    """
    folder = pathlib.Path(folder_or_name)
    if not (folder / "room.toml").is_file() and str(folder_or_name) in shipped_scenarios():
        folder = SHIPPED / str(folder_or_name)
    path = folder / "room.toml"
    scenario = scenario_from_values(_read_toml(path), str(path))
    return scenario.model_copy(update={"folder": folder})


def scenario_from_values(values: dict[str, Any], source: str = "room.toml") -> Scenario:
    """Check plain values, as read from room.toml; RoomtuneError lists all faults."""
    if "folder" in values:
        raise RoomtuneError(f"{source}: folder is not a key of room.toml: remove it")
    try:
        return Scenario.model_validate(values)
    except ValidationError as fault:
        lines = [f"  {_place(item['loc'])}: {item['msg']}{_got(item)}" for item in fault.errors()]
        raise RoomtuneError(
            f"{source} has {len(lines)} fault{'s' * (len(lines) > 1)}; correct and read again:\n"
            + "\n".join(lines)
        ) from None


def _read_toml(path: pathlib.Path) -> dict[str, Any]:
    import tomllib

    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        names = ", ".join(shipped_scenarios())
        raise RoomtuneError(
            f"there is no {path}: give a folder that holds room.toml, or one of: {names}"
        ) from None
    except (OSError, ValueError, RecursionError) as fault:
        raise RoomtuneError(f"{path} cannot be read: {fault}") from None


def _place(location: tuple[int | str, ...]) -> str:
    parts = [f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location]
    return "".join(parts).lstrip(".") or "room.toml"


def _got(item: Any) -> str:
    value = item["input"]
    return "" if isinstance(value, (dict, list)) else f" (got {value!r})"
