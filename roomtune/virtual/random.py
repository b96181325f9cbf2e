"""Plausible systems, rooms and faults by the dozen, for tests of robustness."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from roomtune.system.model import System
from roomtune.virtual.scenario import SURFACES, Scenario, scenario_from_values

Values = dict[str, Any]
Point = tuple[float, float, float]
FREQUENCIES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
OFFSETS_M: dict[str, Point] = {
    "tweeter": (0.0, 0.0, 0.08),
    "midrange": (-0.01, 0.0, -0.03),
    "woofer": (-0.02, 0.0, -0.17),
}
LAYOUTS = {
    "stereo": ("L", "R"),
    "2.1": ("L", "R", "LFE"),
    "3.1": ("L", "R", "C", "LFE"),
    "5.1": ("L", "R", "C", "LFE", "Ls", "Rs"),
    "7.1": ("L", "R", "C", "LFE", "Lss", "Rss", "Lrs", "Rrs"),
}
PLACES = {
    "L": "left",
    "R": "right",
    "C": "centre",
    "Ls": "left surround",
    "Rs": "right surround",
    "Lss": "left side",
    "Rss": "right side",
    "Lrs": "left rear",
    "Rrs": "right rear",
}


@dataclass(frozen=True)
class Kind:
    """Ranges from which a kind of driver is drawn (lowest, highest)."""

    sensitivity_db: tuple[float, float]
    low_corner_hz: tuple[float, float]
    upper_corner_hz: tuple[float, float]
    diameter_m: tuple[float, float]
    safe_band: tuple[float, float]  # of the lower corner; upper end in Hz
    maximum_level_dbfs: float
    peak_hz: tuple[float, float]  # where breakup may stand


KINDS = {
    "subwoofer": Kind((86, 91), (20, 34), (350, 800), (0.2, 0.3), (0.55, 500), -12, (300, 700)),
    "woofer": Kind((85, 90), (34, 70), (2500, 6000), (0.12, 0.22), (0.5, 5000), -12, (1500, 5000)),
    "midrange": Kind((86, 91), (90, 180), (6e3, 11e3), (0.07, 0.11), (0.9, 9000), -14, (3e3, 9e3)),
    "tweeter": Kind(
        (88, 93), (600, 1100), (2e4, 3e4), (0.02, 0.03), (1.15, 22e3), -18, (8e3, 16e3)
    ),
    "full range": Kind((84, 89), (80, 130), (14e3, 2e4), (0.06, 0.1), (0.6, 2e4), -14, (5e3, 12e3)),
}
AROUND_M = (
    (0.05, -0.68),
    (0.03, 0.66),
    (0.9, -0.4),
    (0.85, 0.5),
    (-0.85, -0.45),
    (-0.8, 0.5),
    (0.9, -1.1),
    (0.85, 1.15),
)
CORNERS = ((0.08, 0.12), (0.93, 0.86), (0.1, 0.85), (0.92, 0.14))
WAYS = {
    1: ("full range",),
    2: ("woofer", "tweeter"),
    3: ("woofer", "midrange", "tweeter"),
}


class _Draw:
    """Seeded draws of rounded values."""

    def __init__(self, seed: int) -> None:
        self.generator = np.random.default_rng([seed, 2718])

    def within(self, span: tuple[float, float], digits: int = 3) -> float:
        return round(float(self.generator.uniform(*span)), digits)

    def about(self, spread: float, digits: int = 2) -> float:
        deviation = np.clip(self.generator.standard_normal(), -3, 3)
        return round(spread * float(deviation), digits)

    def one_of(self, choices: tuple[Any, ...]) -> Any:
        return choices[int(self.generator.integers(len(choices)))]

    def chance(self, probability: float) -> bool:
        return bool(self.generator.random() < probability)


@dataclass(frozen=True)
class _Stand:
    """A loudspeaker: its channel (None for a subwoofer), place and drivers."""

    name: str
    channel: str | None
    position_m: Point
    drivers: tuple[str, ...]


def random_scenario(
    seed: int,
    *,
    layout: str | None = None,
    subwoofers: int | None = None,
    seats: int | None = None,
) -> tuple[Scenario, System]:
    """A scenario and the system.toml that goes with it; the same seed gives the same.

    What is not asked for is drawn: `layout` one of LAYOUTS, up to 4 subwoofers,
    1 to 9 seats. Raises ValueError for anything else.

    Stereo to 7.1, one to three ways in front, none to three subwoofers, two to
    five seats, rooms of 22 to 110 m3 that decay in 0.2 to 0.5 s, drivers with
    scattered data, gains that differ, reversed drivers, late boards, a
    microphone that drifts, processors of several sizes. Nothing is miswired.
    """
    if (layout or "5.1") not in LAYOUTS:
        raise ValueError(f"layout is one of {', '.join(LAYOUTS)}, got {layout!r}")
    if (subwoofers or 0) not in range(5) or (1 if seats is None else seats) not in range(1, 10):
        raise ValueError(f"0 to 4 subwoofers and 1 to 9 seats, got {subwoofers} and {seats}")
    draw = _Draw(seed)
    size = (draw.within((4.2, 7.6), 2), draw.within((3.1, 5.4), 2), draw.within((2.3, 2.9), 2))
    places = _seats(draw, size, seats)
    stands = _stands(draw, size, places[0]["position_m"], layout, subwoofers)
    system = _system(draw, f"random {seed}", size, places, stands)
    room = _room(draw, f"random {seed}", size, stands, system)
    return scenario_from_values(room, f"random_scenario({seed})"), System.model_validate(system)


def _seats(draw: _Draw, size: Point, wanted: int | None) -> list[Values]:
    """The main seat somewhat behind the middle of the room, others around it."""
    x, y = size[0] * draw.within((0.56, 0.68)), size[1] / 2 + draw.about(0.06)
    drawn = draw.one_of((2, 3, 4, 5))
    places = [(x, y), *((x + dx, y + dy) for dx, dy in AROUND_M)][: wanted or drawn]
    return [
        {
            "name": f"seat {number}",
            "main": number == 1,
            "weight": 3.0 if number == 1 else draw.one_of((0.5, 1.0, 1.5)),
            "position_m": (
                round(min(x, size[0] - 0.3), 3),
                round(float(np.clip(y, 0.35, size[1] - 0.35)), 3),
                1.15 if number > 3 else 1.05,
            ),
        }
        for number, (x, y) in enumerate(places, start=1)
    ]


def _stands(
    draw: _Draw, size: Point, seat: Point, wanted: str | None, subwoofers: int | None
) -> list[_Stand]:
    """Loudspeakers about where they belong, subwoofers on the floor along the walls."""
    drawn = draw.one_of(tuple(LAYOUTS))
    layout = wanted or drawn
    front, rear = WAYS[draw.one_of((1, 2, 2, 3))], WAYS[draw.one_of((1, 1, 2))]
    stands = []
    for channel in LAYOUTS[layout]:
        if channel == "LFE":
            continue
        place = _placed(draw, channel, size, seat)
        stands.append(_Stand(PLACES[channel], channel, place, front if channel in "LRC" else rear))
    needed = front != WAYS[3] and (front == WAYS[1] or "LFE" in LAYOUTS[layout])
    counted = draw.one_of((1, 1, 2, 3) if needed else (0, 1, 2))
    count = counted if subwoofers is None else subwoofers
    for number, (along, across) in enumerate(CORNERS[:count], start=1):
        place = (size[0] * along + draw.about(0.05), size[1] * across + draw.about(0.05), 0.25)
        stands.append(_Stand(f"sub {number}", None, _rounded(place), ("subwoofer",)))
    return stands


def _placed(draw: _Draw, channel: str, size: Point, seat: Point) -> Point:
    """Angles after ITU-R BS.775 and BS.2051, kept 0.3 m from the walls."""
    degrees = {"L": -28, "R": 28, "C": 0, "Ls": -108, "Rs": 108}
    degrees |= {"Lss": -92, "Rss": 92, "Lrs": -140, "Rrs": 140}
    angle = math.radians(degrees[channel] + draw.about(1.5))
    height = {"C": 0.8, "L": 1.0, "R": 1.0}.get(channel, 1.45)
    across, along = math.sin(angle), -math.cos(angle)
    far = 9.0  # until the first wall stops it
    for step, start, length in ((along, seat[0], size[0]), (across, seat[1], size[1])):
        if abs(step) > 1e-6:
            far = min(far, ((length - 0.3 if step > 0 else 0.3) - start) / step)
    far = max(far, 0.5)
    place = (seat[0] + far * along, seat[1] + far * across, height)
    return _rounded((place[0] + draw.about(0.02), place[1] + draw.about(0.02), place[2]))


def _rounded(place: Point) -> Point:
    return (round(place[0], 3), round(place[1], 3), round(place[2], 3))


def _system(
    draw: _Draw, name: str, size: Point, seats: list[Values], stands: list[_Stand]
) -> Values:
    """Plain values of system.toml."""
    channels: list[Values] = [{"name": s.channel} for s in stands if s.channel]
    if any(s.channel is None for s in stands) or len(channels) > 2:
        channels.append({"name": "LFE", "kind": "low frequency effects"})
    outputs: list[Values] = []
    for stand in stands:
        for driver in stand.drivers:
            number = len(outputs) + 1
            outputs.append(_output(stand, driver, number))
    speakers = [{"name": s.name, "channel": s.channel, "position_m": s.position_m} for s in stands]
    tweeter = next((o for o in outputs if o["driver"] in ("tweeter", "full range")), outputs[0])
    return {
        "name": name,
        "room_size_m": size,
        "channels": channels,
        "loudspeakers": speakers,
        "outputs": outputs,
        "seats": seats,
        "microphone": {"sensitivity_dbfs_at_94_db": -30.0},
        "audio": {"reference_output": tweeter["name"]},
        "processor": _processor(draw),
    }


def _output(stand: _Stand, driver: str, number: int) -> Values:
    kind = KINDS[driver]
    middle_hz = math.sqrt(kind.low_corner_hz[0] * kind.low_corner_hz[1])
    low_hz = float(f"{kind.safe_band[0] * middle_hz:.2g}")
    return {
        "name": stand.name if len(stand.drivers) == 1 else f"{stand.name} {driver}",
        "number": number,
        "loudspeaker": stand.name,
        "driver": driver,
        "playback": {"interface_output": number},
        "safe_band_hz": (low_hz, kind.safe_band[1]),
        "maximum_level_dbfs": kind.maximum_level_dbfs,
    }


def _processor(draw: _Draw) -> Values:
    """A small, a middling or a large signal processor."""
    return {
        "filters_per_output": draw.one_of((5, 8, 10, 16)),
        "filters_per_channel": draw.one_of((0, 0, 4, 8)),
        "delay_ms": {
            "minimum": 0.0,
            "maximum": draw.one_of((15.0, 40.0)),
            "step": draw.one_of((1000 / 48000, 0.01, 0.1)),
        },
        "gain_db": {"minimum": -40.0, "maximum": 12.0, "step": draw.one_of((0.1, 0.25, 0.5))},
        "filter_gain_db": {"minimum": -15.0, "maximum": 9.0, "step": draw.one_of((0.1, 0.5))},
        "route_gains": draw.chance(0.8),
        "limiters": draw.chance(0.7),
        "crossovers": draw.one_of(
            (
                {"Linkwitz-Riley": [2, 4, 8], "Butterworth": [1, 2, 3, 4]},
                {"Linkwitz-Riley": [4], "Butterworth": [2, 4]},
                {"Butterworth": [1, 2, 3, 4], "Bessel": [2, 4]},
            )
        ),
    }


def _room(draw: _Draw, name: str, size: Point, stands: list[_Stand], system: Values) -> Values:
    """Plain values of room.toml."""
    drivers = {kind: _driver(draw, kind) for stand in stands for kind in stand.drivers}
    late_from, late_ms = draw.one_of((5, 7, 99)), draw.within((0.4, 3.0), 2)
    outputs = [_true_output(draw, output, late_from, late_ms) for output in system["outputs"]]
    moved = (draw.within((-0.35, 0.2), 2), draw.about(0.06), 0.0)
    return {
        "name": name,
        "room": {"size_m": size, "absorption": _absorption(draw, size)},
        "driver": list(drivers.values()),
        "output": outputs,
        "loudspeaker": [
            {"name": s.name, "position_m": _nudged(draw, s.position_m)} for s in stands
        ],
        "microphone": {
            "resonances": [
                {
                    "frequency_hz": draw.within((7000, 14000), 0),
                    "q": 1.3,
                    "gain_db": draw.within((-2, 3), 1),
                }
            ]
        },
        "noise": {"room_level_db": draw.within((26, 40), 1)},
        "streams": {"drift_ppm": draw.within((-60, 60), 1), "drift_wander_ppm": 0.2},
        "rearrangement": [{"name": "sofa moved", "seats_moved_m": moved}],
    }


def _nudged(draw: _Draw, place: Point) -> Point:
    """Where it really stands: a few centimetres off what its owner measured."""
    return _rounded((place[0] + draw.about(0.01, 3), place[1] + draw.about(0.01, 3), place[2]))


def _driver(draw: _Draw, kind: str) -> Values:
    span = KINDS[kind]
    return {
        "name": kind,
        "sensitivity_db": draw.within(span.sensitivity_db, 1),
        "low_corner_hz": draw.within(span.low_corner_hz, 1),
        "low_q": draw.within((0.55, 0.95), 2),
        "upper_corner_hz": draw.within(span.upper_corner_hz, 0),
        "upper_order": draw.one_of((2, 2, 3)),
        "diameter_m": draw.within(span.diameter_m),
        "second_order": draw.within((0.001, 0.006)),
        "third_order": draw.within((0.001, 0.005)),
        "resonances": [
            {
                "frequency_hz": draw.within(span.peak_hz, 0),
                "q": draw.within((1.5, 5), 1),
                "gain_db": draw.within((-3, 5), 1),
            }
        ],
    }


def _true_output(draw: _Draw, output: Values, late_from: int, late_ms: float) -> Values:
    return {
        "name": output["name"],
        "driver": output["driver"],
        "offset_m": OFFSETS_M.get(output["driver"], (0.0, 0.0, 0.0)),
        "gain_error_db": draw.about(2.0, 1),
        "reversed": draw.chance(0.18),
        "delay_ms": late_ms if output["number"] >= late_from else 0.0,
        "full_scale_v": 28.0 if output["driver"] == "subwoofer" else 20.0,
        "resonances": [
            {
                "frequency_hz": draw.within((200, 8000), 0),
                "q": draw.within((1, 2.5), 1),
                "gain_db": draw.about(0.5, 1),
            }
        ],
    }


def _absorption(draw: _Draw, size: Point) -> Values:
    """Surfaces that scatter about the absorption of a drawn decay time (Eyring)."""
    x, y, z = size
    area, volume = 2 * (x * y + y * z + x * z), x * y * z
    middle_s = draw.within((0.22, 0.42)) * (volume / 60) ** (1 / 3)
    bass_s = middle_s * draw.within((1.2, 1.7))
    times_s = [bass_s, middle_s, 0.85 * middle_s]
    decay = np.interp(np.log(FREQUENCIES_HZ), np.log([40, 400, 8000]), times_s)
    mean = 1 - np.exp(-24 * math.log(10) * volume / (343.2 * area * decay))
    table: Values = {"frequencies_hz": FREQUENCIES_HZ}
    for surface in SURFACES:
        share = math.exp(draw.about(0.2)) * np.exp(draw.about(0.1) * np.linspace(-1, 1, 9))
        table[surface] = tuple(round(float(a), 3) for a in np.clip(mean * share, 0.04, 0.85))
    return table
