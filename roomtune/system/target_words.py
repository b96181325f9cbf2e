"""Wishes about the target in words: "2 dB more below 100 Hz", "flat", "tilt -0.8 dB per octave".

Read strictly: what is not understood is an error that shows how to say it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from roomtune.system.model import Target

LOWEST_HZ, HIGHEST_HZ, MOST_DB = 10.0, 24000.0, 20.0
HOW_TO_SAY_IT = (
    'say it like "2 dB more below 100 Hz", "1.5 dB less above 4 kHz", '
    '"3 dB less between 150 and 300 Hz" or "1 dB more around 2 kHz"'
)
HOW_TO_NAME_IT = '"flat", "cinema", "tilt -0.8 dB per octave", "curve FILE"'

_NUMBER = r"(\d+(?:\.\d+)?)"
_FREQUENCY = rf"{_NUMBER}\s*(k?hz)?"
_CHANGE = re.compile(
    rf"(?P<gain>{_NUMBER})\s*db\s+(?P<way>more|less)\s+"
    rf"(?:(?P<side>below|above|around)\s+(?P<one>{_FREQUENCY})"
    rf"|between\s+(?P<low>{_FREQUENCY})\s+and\s+(?P<high>{_FREQUENCY}))"
)
_TILT = re.compile(rf"tilt\s+(?P<slope>[-+]?{_NUMBER})\s*db\s*(?:per|/)\s*octave")


@dataclass(frozen=True)
class Adjustment:
    """So many dB more between two frequencies; 0 and infinity where one side is open."""

    gain_db: float
    low_hz: float
    high_hz: float


def parse_adjustment(text: str) -> Adjustment:
    """The change that a text asks for; ValueError says what is wrong and how to say it."""
    found = _CHANGE.fullmatch(" ".join(text.lower().split()))
    if not found:
        raise ValueError(f"{text!r} is not understood; {HOW_TO_SAY_IT}")
    gain = float(found["gain"]) * (1 if found["way"] == "more" else -1)
    if abs(gain) > MOST_DB:
        raise ValueError(f"{text!r}: {abs(gain):g} dB is beyond reason, expected at most 20")
    if found["side"]:
        edge = _hertz(found["one"], text)
        edges = {
            "below": (0.0, edge),
            "above": (edge, float("inf")),
            "around": (edge / 2**0.5, edge * 2**0.5),
        }
        return Adjustment(gain, *edges[found["side"]])
    high = found["high"]
    unit = "khz" if high.endswith("khz") else "hz"
    low = found["low"] if found["low"].endswith("hz") else f"{found['low'].strip()} {unit}"
    ends = _hertz(low, text), _hertz(high, text)
    if ends[0] >= ends[1]:
        raise ValueError(f"{text!r}: the lower frequency comes first; {HOW_TO_SAY_IT}")
    return Adjustment(gain, *ends)


def _hertz(words: str, text: str) -> float:
    number = re.match(_NUMBER, words)
    if number is None or not words.endswith("hz"):
        raise ValueError(f'{text!r}: a frequency needs its unit, "Hz" or "kHz"; {HOW_TO_SAY_IT}')
    value = float(number[0]) * (1000 if words.endswith("khz") else 1)
    if not LOWEST_HZ <= value <= HIGHEST_HZ:
        raise ValueError(f"{text!r}: {value:g} Hz lies outside 10 Hz to 24 kHz")
    return value


def retargeted(target: Target, text: str) -> Target:
    """The target changed by words: a shape to start from, or an adjustment added to it.

    Raises ValueError when the words are not understood.
    """
    plain = " ".join(text.split())
    lower = plain.lower()
    tilt = _TILT.fullmatch(lower)
    bare = {"adjustments": (), "curve_file": None, "bass_lift_db": 0.0}
    if lower == "flat":
        return target.model_copy(update=bare | {"shape": "tilt", "tilt_db_per_octave": 0.0})
    if lower == "cinema":
        return target.model_copy(update=bare | {"shape": "cinema"})
    if tilt:
        slope = float(tilt["slope"])
        return target.model_copy(update=bare | {"shape": "tilt", "tilt_db_per_octave": slope})
    if lower.startswith("curve "):
        return target.model_copy(update=bare | {"shape": "file", "curve_file": plain[6:]})
    try:
        parse_adjustment(plain)
    except ValueError as fault:
        raise ValueError(f"{fault}; or name a shape: {HOW_TO_NAME_IT}") from None
    return target.model_copy(update={"adjustments": (*target.adjustments, plain)})
