"""A commented system.toml to fill in, as `roomtune new` writes it.

The text reads back as a valid system at once; what a person must look at is
marked "check".
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from roomtune.errors import RoomtuneError
from roomtune.system.layouts import LAYOUTS, Place
from roomtune.system.reading import system_from_toml


@dataclass(frozen=True)
class _Driver:
    """What the template knows of a driver before anybody has looked."""

    kind: str
    suffix: str
    band: tuple[int, int]
    level_dbfs: float


_DRIVERS = {
    "subwoofer": _Driver("subwoofer", "", (15, 300), -12.0),
    "woofer": _Driver("woofer", "woofer", (25, 5000), -12.0),
    "midrange": _Driver("midrange", "midrange", (150, 8000), -15.0),
    "tweeter": _Driver("tweeter", "tweeter", (1500, 20000), -24.0),
    "full range": _Driver("full range", "", (60, 20000), -15.0),
}
_WAYS = {
    1: ("full range",),
    2: ("woofer", "tweeter"),
    3: ("woofer", "midrange", "tweeter"),
}


def new_system_toml(
    layout: str = "5.1",
    *,
    name: str = "My room",
    front_ways: int = 2,
    surround_ways: int = 1,
    subwoofers: int | None = None,
    seats: Sequence[str] = ("centre", "left", "right"),
    sample_rate_hz: int = 48000,
) -> str:
    """A commented system.toml of a layout ("stereo", "5.1", "7.1", ...).

    `front_ways`, `surround_ways`: drivers per loudspeaker, 1 to 3.
    `subwoofers`: how many; None takes one where the layout has an LFE channel.
    The first of `seats` is the main one. Raises RoomtuneError for a layout or
    a number that it does not know.
    """
    if layout not in LAYOUTS:
        known = ", ".join(LAYOUTS)
        raise RoomtuneError(f'unknown layout "{layout}"; known are {known}')
    for ways in (front_ways, surround_ways):
        if ways not in _WAYS:
            raise RoomtuneError(f"a loudspeaker has 1, 2 or 3 ways here, got {ways}")
    places = LAYOUTS[layout]
    count = ("LFE" in [p.channel for p in places]) if subwoofers is None else subwoofers
    if not 0 <= count <= 8:
        raise RoomtuneError(f"between 0 and 8 subwoofers can be described here, got {count}")
    if not seats:
        raise RoomtuneError("at least one seat is needed")
    speakers = [p for p in places if p.channel != "LFE"]
    parts = [
        _head(name, layout, sample_rate_hz),
        _channels(places),
        _loudspeakers(speakers, int(count)),
        _outputs(speakers, front_ways, surround_ways, int(count)),
        _seats(seats),
        _REST.replace("@rate", str(sample_rate_hz)),
    ]
    text = "\n".join(parts)
    system_from_toml(text, "the new system")
    return text


def write_new_system(path: str | os.PathLike[str], text: str) -> None:
    """Write the text as a new file; RoomtuneError when there is a file already."""
    file = Path(path)
    try:
        with file.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        raise RoomtuneError(f"{file}: exists already and stays as it is; choose another") from None
    except OSError as fault:
        raise RoomtuneError(f"{file}: cannot be written: {fault.strerror or fault}") from None


def _quoted(text: str) -> str:
    """A TOML text; what it cannot hold as it is becomes an escape."""
    import json

    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _head(name: str, layout: str, sample_rate_hz: int) -> str:
    return f"""\
# What is installed: read by all roomtune commands. A layout of {layout}, to be
# fitted to your room: look at every line marked "check". Units stand in the
# names of the keys.

name = {_quoted(name)}
# room_size_m = [5.0, 4.0, 2.5]        # length, width, height, where known

[audio]
sample_rate_hz = {sample_rate_hz}
# output_device = "..."                # name or number, see `roomtune devices`
# input_device = "..."
# exclusive = true                     # keep other programs off them, where that can be
# A cable from a spare interface output to a spare input gives exact times:
# loopback_output = 16
# loopback_input = 2
"""


def _channels(places: Iterable[Place]) -> str:
    rows = [
        "# Programme channels as they are delivered (names of ITU-R BS.775 and BS.2051).",
        "# interface_output: the output of your audio interface that feeds the channel",
        "# into the tuned amplifier, needed to verify; without it, the place in the list.",
        "",
    ]
    for number, place in enumerate(places, start=1):
        rows += ["[[channels]]", f"name = {_quoted(place.channel)}"]
        if place.channel == "LFE":
            rows.append('kind = "low frequency effects"')
        rows += [f"interface_output = {number}", ""]
    return "\n".join(rows)


def _loudspeakers(places: Sequence[Place], subwoofers: int) -> str:
    rows = [
        "# Loudspeakers: what reproduces a channel at one place. A subwoofer has no",
        "# channel of its own: it takes LFE and the bass that others cannot play. Where",
        "# known, give each its place too: position_m = [1.0, 0.5, 1.0] (x, y, z).",
        "",
    ]
    for place in places:
        rows += ["[[loudspeakers]]", f"name = {_quoted(place.loudspeaker)}"]
        rows += [f"channel = {_quoted(place.channel)}", ""]
    for name in _subwoofer_names(subwoofers):
        rows += ["[[loudspeakers]]", f"name = {_quoted(name)}", ""]
    return "\n".join(rows)


def _subwoofer_names(count: int) -> list[str]:
    return ["subwoofer"] if count == 1 else [f"subwoofer {n}" for n in range(1, count + 1)]


_OUTPUTS = """\
# Amplifier outputs, one driver each. number: as on the amplifier. playback: the
# output of your audio interface that reaches this driver while measuring. Where
# the amplifier must be switched to the driver by hand, write instead
#   playback = { interface_output = 1, by_hand = true, instruction = "what to switch" }
# safe_band_hz: nothing outside is ever played loudly into the driver. A tweeter
# can be destroyed by lows: take its lowest crossover frequency from its data
# sheet, and keep maximum_level_dbfs (peak) low until you know the gains.
# driver: "subwoofer", "woofer", "midrange", "tweeter" or "full range".
# data, enclosure and full_scale_v (rms voltage at the driver of a full-scale sine,
# measured with a low tone and a voltmeter, or from the amplifier's data) are
# optional. Together they give limits by excursion and heat:
#   full_scale_v = 20.0
#   data = { resonance_hz = 35, total_q = 0.4, equivalent_volume_l = 45,
#            piston_area_cm2 = 220, peak_excursion_mm = 6, thermal_power_w = 100,
#            nominal_impedance_ohm = 8, sensitivity_db = 88 }   (on one line)
#   enclosure = { kind = "sealed", volume_l = 20 }
"""


def _outputs(places: Sequence[Place], front: int, surround: int, subwoofers: int) -> str:
    rows = [_OUTPUTS]
    drivers = [
        (place.loudspeaker, kind)
        for place in places
        for kind in _WAYS[front if place.front else surround]
    ]
    drivers += [(name, "subwoofer") for name in _subwoofer_names(subwoofers)]
    for number, (loudspeaker, kind) in enumerate(drivers, start=1):
        driver = _DRIVERS[kind]
        rows += [
            "[[outputs]]",
            f"name = {_quoted(f'{loudspeaker} {driver.suffix}'.strip())}",
            _to_check(f"number = {number}"),
            f"loudspeaker = {_quoted(loudspeaker)}",
            f'driver = "{driver.kind}"',
            _to_check(f"playback = {{ interface_output = {number} }}"),
            _to_check(f"safe_band_hz = [{driver.band[0]}, {driver.band[1]}]"),
            _to_check(f"maximum_level_dbfs = {driver.level_dbfs}"),
            "",
        ]
    return "\n".join(rows)


def _to_check(row: str) -> str:
    return f"{row:38} # check"


def _seats(seats: Sequence[str]) -> str:
    rows = [
        "# Where the microphone will stand, at ear height. The heavier the weight, the",
        "# more a seat counts; delays and crossovers are made for the main one.",
        "",
    ]
    for place, seat in enumerate(seats):
        rows += ["[[seats]]", f"name = {_quoted(seat)}"]
        rows += ["main = true", "weight = 2.0", ""] if place == 0 else ["weight = 1.0", ""]
    return "\n".join(rows)


_REST = """\
[microphone]
interface_input = 1                    # check
# correction_file = "microphone.txt"   # columns frequency, dB; beside this file
# sensitivity_dbfs_at_94_db = -26.0    # what 94 dB reads, where known: levels in Pa

# What the amplifier's signal processor can do. Advice keeps to it, step by step.
[processor]
sample_rate_hz = @rate
filters_per_output = 10                # parametric sections; crossovers not counted
filters_per_channel = 0
filters_per_route = 0
filter_types = ["peaking", "low shelf", "high shelf"]   # also "all pass", "notch"
route_gains = true                     # a gain for each way from channel to output
route_delays = false
limiters = true
number_format = "float32"              # or fixed point, such as "5.23"
fir_taps_per_output = 0                # FIR filters: exported as WAV files to load
# limiter_attack_ms = { minimum = 0, maximum = 100, step = 0.1 }
# limiter_release_ms = { minimum = 10, maximum = 2000, step = 1 }
# limiter_threshold_dbfs = { minimum = -40, maximum = 0, step = 0.5 }
delay_ms = { minimum = 0, maximum = 40, step = 0.01 }
gain_db = { minimum = -60, maximum = 12, step = 0.1 }
filter_gain_db = { minimum = -18, maximum = 12, step = 0.1 }
filter_q = { minimum = 0.3, maximum = 20, step = 0.01 }
filter_frequency_hz = { minimum = 10, maximum = 20000, step = 0.1 }

[processor.crossovers]                 # orders: 2 falls 12 dB per octave, 4 falls 24
Linkwitz-Riley = [2, 4, 8]
Butterworth = [1, 2, 3, 4]

# The response that you want at the seats.
[target]
shape = "tilt"                         # "tilt", "cinema", or "file" with curve_file
tilt_db_per_octave = -0.6              # turns about 1 kHz
bass_lift_db = 3.0
bass_lift_below_hz = 100.0
# adjustments = ["2 dB more below 100 Hz", "1 dB less around 3 kHz"]

# What you pin or forbid; the rest of the advice adapts.
[wishes]
maximum_boost_db = 6.0
# bass_crossover_hz = 80
# crossovers_hz = { left = [2200] }    # per loudspeaker, lowest first
# gains_db = { "left woofer" = -3.0 }  # outputs, by name: the rest goes with them
# delays_ms = { "left woofer" = 2.5 }
# polarities = { "left woofer" = "inverted" }   # or "normal"
# leave_alone = ["left"]               # loudspeakers that get no equaliser
# forbid = ["boost", "all pass"]       # also "equaliser", "bass redirection", "FIR" ...
# fir = "mixed phase"                  # taps also undo the phase that crossovers turn
# bass = "stereo"                      # left and right bass from subwoofers on their side
"""
