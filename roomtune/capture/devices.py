"""Sound devices as PortAudio lists them, and how a person names one.

A device is chosen by its number, its exact name or an unambiguous part of
"name, host API". Numbers change when something is plugged in: keep names.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from roomtune.capture.soundserver import Kind, server_channels
from roomtune.errors import RoomtuneError

Mode = Literal["shared", "exclusive"]

SERVER_CHANNELS = 32
UNKNOWN_CHANNELS = 8
RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)


@dataclass(frozen=True)
class Device:
    """A sound device: PortAudio's number, its name and host API, its channels."""

    number: int
    name: str
    host_api: str
    inputs: int
    outputs: int
    default_sample_rate_hz: float
    default_for: tuple[Kind, ...] = ()

    @property
    def label(self) -> str:
        """The name to quote in system.toml: "name, host API"."""
        return f"{self.name}, {self.host_api}"

    def channels(self, kind: Kind) -> int:
        """How many inputs or outputs the device has."""
        return self.inputs if kind == "input" else self.outputs

    def __str__(self) -> str:
        return f"{self.number}: {self.label} ({self.inputs} in, {self.outputs} out)"


def load_sounddevice() -> Any:
    """Return the sounddevice module, with PortAudio behind it.

    Raises RoomtuneError that tells the remedy when either is missing or when
    PortAudio cannot start.
    """
    try:
        import sounddevice
    except ImportError as error:
        raise RoomtuneError(
            "No sound: the Python package sounddevice is not installed; "
            "run `pip install sounddevice`."
        ) from error
    except OSError as error:
        raise RoomtuneError(
            f"No sound: the PortAudio library cannot be loaded ({error}). Install it: "
            "`sudo apt install libportaudio2` on Debian or Ubuntu; on macOS and Windows "
            "`pip install --force-reinstall sounddevice` brings it along."
        ) from error
    except Exception as error:  # PortAudioError cannot be named before the import
        raise RoomtuneError(
            f"No sound: PortAudio cannot start ({error}). Is the sound system running?"
        ) from error
    return sounddevice


def list_devices(refresh: bool = False) -> tuple[Device, ...]:
    """Return every sound device that PortAudio sees.

    PortAudio looks for devices once, when it is loaded; `refresh` makes it
    look again, which ends every open stream.
    """
    sound = load_sounddevice()
    if refresh:
        sound._terminate()
        sound._initialize()
    hosts = sound.query_hostapis()
    return tuple(_device(entry, hosts) for entry in sound.query_devices())


def _device(entry: dict[str, Any], hosts: Sequence[dict[str, Any]]) -> Device:
    host = hosts[entry["hostapi"]]
    default_for: list[Kind] = []
    if host["default_input_device"] == entry["index"]:
        default_for.append("input")
    if host["default_output_device"] == entry["index"]:
        default_for.append("output")
    return Device(
        number=entry["index"],
        name=entry["name"],
        host_api=host["name"],
        inputs=entry["max_input_channels"],
        outputs=entry["max_output_channels"],
        default_sample_rate_hz=float(entry["default_samplerate"]),
        default_for=tuple(default_for),
    )


def find_device(choice: str | int | None, kind: Kind, refresh: bool = False) -> Device:
    """Return the device that `choice` means, see `choose_device`."""
    return choose_device(list_devices(refresh), choice, kind)


def choose_device(devices: Sequence[Device], choice: str | int | None, kind: Kind) -> Device:
    """Return the device that has inputs or outputs (`kind`) and fits `choice`.

    `choice`: a number; a name, or "name, host API", in full; a part of the
    latter that fits one device only; None for the first host API's default.
    Upper and lower case do not matter. Raises RoomtuneError listing the
    candidates when none or several fit.
    """
    able = [device for device in devices if device.channels(kind)]
    if not able:
        raise RoomtuneError(
            f"No sound {kind} was found; connect the interface and make sure that "
            "the sound system is running, then look at `roomtune devices`."
        )
    if choice is None:
        return next((device for device in able if kind in device.default_for), able[0])
    fitting = _fitting(able, choice)
    if len(fitting) == 1:
        return fitting[0]
    raise RoomtuneError(_not_one(devices, able, fitting, choice, kind))


def _fitting(able: Sequence[Device], choice: str | int) -> list[Device]:
    """Return the devices of the first rule that fits any."""
    text = str(choice).strip().casefold()
    rules: list[Callable[[Device], bool]] = [
        lambda device: device.label.strip().casefold() == text,
        lambda device: device.name.strip().casefold() == text,
        lambda device: text.isdecimal() and device.number == int(text),
        lambda device: not text.isdecimal() and bool(text) and text in device.label.casefold(),
    ]
    if isinstance(choice, int):
        rules = [lambda device: device.number == choice]
    for rule in rules:
        fitting = [device for device in able if rule(device)]
        if fitting:
            return fitting
    return []


def _not_one(
    devices: Sequence[Device],
    able: Sequence[Device],
    fitting: Sequence[Device],
    choice: str | int,
    kind: Kind,
) -> str:
    shown = repr(choice) if isinstance(choice, str) else f"number {choice}"
    if fitting:
        listed = "; ".join(map(str, fitting))
        return (
            f"The {kind} device {shown} is ambiguous, it fits {len(fitting)} devices: {listed}. "
            "Use the number, or the name with its host API in full."
        )
    listed = "; ".join(map(str, able))
    others = _fitting([device for device in devices if not device.channels(kind)], choice)
    if others:
        return f"The device {shown} ({others[0]}) has no {kind}s. Devices with {kind}s: {listed}."
    return f"No {kind} device fits {shown}. Devices with {kind}s: {listed}."


def behind_server(device: Device, kind: Kind) -> bool:
    """Tell whether a sound server stands behind the device, with channels at will."""
    return device.host_api == "ALSA" and device.channels(kind) >= SERVER_CHANNELS


def channels_to_open(device: Device, kind: Kind, needed: int) -> int:
    """Return how many channels to open so that number k is really number k.

    A device is opened whole, as some take nothing else. Behind a sound server
    it is as many as the server's own device has (see `soundserver`); where that
    cannot be asked, at least eight, as many as any usual device has.
    """
    if not behind_server(device, kind):
        return device.channels(kind)
    return max(needed, server_channels(kind, device.name) or UNKNOWN_CHANNELS)


def modes(device: Device) -> tuple[Mode, ...]:
    """Return how the device can be opened: shared with other programs, for us alone, or both.

    A sound server always shares. WASAPI is asked, as a driver may refuse.
    """
    if "WASAPI" in device.host_api:
        kind: Kind = "output" if device.outputs else "input"
        alone = refusal(device, kind, device.default_sample_rate_hz, exclusive=True) is None
        return ("shared", "exclusive") if alone else ("shared",)
    if device.host_api == "Core Audio":
        return ("shared", "exclusive")
    if device.host_api in ("ASIO", "Windows WDM-KS") or "(hw:" in device.name:
        return ("exclusive",)
    return ("shared",)


def host_settings(sound: Any, device: Device, exclusive: bool) -> Any:
    """Return what makes PortAudio open the device for us alone; None where that is not wanted."""
    if not exclusive:
        return None
    if "WASAPI" in device.host_api:
        return sound.WasapiSettings(exclusive=True)
    if device.host_api == "Core Audio":
        return sound.CoreAudioSettings(
            change_device_parameters=True, fail_if_conversion_required=True
        )
    return None


def working_rates_hz(device: Device, kind: Kind) -> tuple[int, ...]:
    """Return the usual sample rates that the device takes, by asking for each."""
    return tuple(rate for rate in RATES_HZ if refusal(device, kind, rate) is None)


def refusal(
    device: Device, kind: Kind, sample_rate_hz: float, exclusive: bool = False
) -> str | None:
    """Return why PortAudio will not open the device like this, None if it will."""
    sound = load_sounddevice()
    check = sound.check_input_settings if kind == "input" else sound.check_output_settings
    try:
        check(
            device=device.number,
            channels=2 if behind_server(device, kind) else device.channels(kind),
            dtype="float32",
            samplerate=sample_rate_hz,
            extra_settings=host_settings(sound, device, exclusive),
        )
    except sound.PortAudioError as error:
        return str(error)
    return None
