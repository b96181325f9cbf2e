"""What a person has to type to get from one tuning to another, value by value."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

from roomtune.processor.tuning import Limiter, Tuning

_UNITS = {"hz": "Hz", "db": "dB", "ms": "ms", "dbfs": "dB re full scale"}
_WORDS = {"inverted": "polarity", "q": "Q"}
_NAMES = ("name", "number", "channel", "output")
OFF = "off"
Value = tuple[str, str]


@dataclass(frozen=True)
class Entry:
    """One value to type: where, which, what it was and what it becomes, as text."""

    place: str
    setting: str
    before: str
    after: str
    unit: str = ""

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit and self.after != OFF else ""
        return f"{self.place}, {self.setting}: {self.after}{unit} (was {self.before})"


def entries(first: Tuning, second: Tuning) -> tuple[Entry, ...]:
    """Every value of the second tuning that differs from the first, in typing order.

    A filter that is new or changes its type counts with all its values; one that
    goes, or a route or limiter that goes, counts once.
    """
    old, new = typed_values(first), typed_values(second)
    found = []
    for place, setting in dict.fromkeys((*new, *old)):
        (before, unit), (after, new_unit) = (
            values.get((place, setting), (OFF, "")) for values in (old, new)
        )
        gone = (place, setting) not in new
        if before != after and not (gone and _follows(setting)):
            found.append(Entry(place, setting, before, after, new_unit or unit))
    return tuple(found)


def _follows(setting: str) -> bool:
    """Whether a value goes by itself when what it belongs to goes."""
    return setting not in ("gain", "limiter threshold") and not setting.endswith("type")


def typed_values(tuning: Tuning) -> dict[tuple[str, str], Value]:
    """All values of a tuning as (text, unit), by place and setting, in typing order."""
    found: dict[tuple[str, str], Value] = {}
    places: list[tuple[str, object]] = [(f"Channel {c.name}", c) for c in tuning.channels]
    places += [(f"Route {r.channel} to {r.output}", r) for r in tuning.routes]
    ordered = sorted(tuning.outputs, key=lambda o: o.number)
    places += [(f"Output {o.number}: {o.name}", o) for o in ordered]
    for place, holder in places:
        for setting, value in _values(holder):
            found[place, setting] = value
    return found


def _values(holder: object, prefix: str = "") -> Iterator[tuple[str, Value]]:
    for item in fields(holder):  # type: ignore[arg-type]
        value = getattr(holder, item.name)
        if item.name in _NAMES or value is None:
            continue
        if item.name == "filters":
            for number, inner in enumerate(value, start=1):
                yield from _values(inner, f"filter {number} ")
        elif isinstance(value, Limiter):
            yield from _values(value, "limiter ")
        else:
            word, _, unit = item.name.rpartition("_")
            known = unit in _UNITS and bool(word)
            name = word if known else _WORDS.get(item.name, item.name)
            yield prefix + name, (_text(value), _UNITS[unit] if known else "")


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "inverted" if value else "normal"
    if isinstance(value, tuple):
        return " ".join(f"{v:.9g}" for v in value) if len(value) <= 3 else _taps(value)
    return f"{value:.10g}" if isinstance(value, int | float) else str(value)


def _taps(taps: tuple[float, ...]) -> str:
    """Many coefficients by their number and a digest, so that a change shows."""
    import hashlib

    digest = hashlib.sha256(repr(taps).encode()).hexdigest()[:6]
    return f"{len(taps)} taps ({digest})"
