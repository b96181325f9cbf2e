"""From the plain data of tuning.json to a checked Tuning, all faults at once."""

from __future__ import annotations

import difflib
import math
import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from roomtune.errors import RoomtuneError
from roomtune.processor.filters import check_filter
from roomtune.processor.number_format import number_format
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    Limiter,
    OutputSetting,
    Route,
    Tuning,
)
from roomtune.signal.sound_file import read_sound

_TOP = ("format", "version", "sample_rate_hz", "number_format", "channels", "routes", "outputs")
_FILTER = ("type", "family", "order", "frequency_hz", "q", "gain_db", "b", "a", "taps")
_WAY = ("gain_db", "inverted", "delay_ms", "filters")


def parse_tuning(data: Any, where: str, folder: Path | None) -> Tuning:
    """The tuning; RoomtuneError lists every fault with the path of its key."""
    reader = _Reader(folder)
    tuning = reader.tuning(data)
    if reader.faults:
        many = f"{len(reader.faults)} faults" if len(reader.faults) > 1 else "1 fault"
        raise RoomtuneError("\n  ".join([f"{where} is no sound tuning, {many}:", *reader.faults]))
    return tuning


class _Reader:
    """Walks the data, notes faults, and goes on with harmless values in their place."""

    def __init__(self, folder: Path | None) -> None:
        self.faults: list[str] = []
        self._folder = folder
        self._rate = 48000.0

    def tuning(self, data: Any) -> Tuning:
        """The whole; sound only when `faults` stays empty."""
        top = self._object(data, "", _TOP)
        if top.get("format") != "roomtune tuning":
            self._note("format", top.get("format"), '"roomtune tuning"')
        if top.get("version") != 1 or isinstance(top.get("version"), bool):
            self._note("version", top.get("version"), "1, the only version so far")
        self._rate = self._number(top, "sample_rate_hz", "", low=8000, high=768000) or 48000.0
        style = self._style(top.get("number_format", "float64"))
        channels = tuple(self._channel(*item) for item in self._list(top, "channels", ""))
        outputs = tuple(self._output(*item) for item in self._list(top, "outputs", ""))
        names = {c.name for c in channels}, {o.name for o in outputs}
        routes = tuple(self._route(*item, *names) for item in self._list(top, "routes", ""))
        self._unique("channels", "name", [c.name for c in channels])
        self._unique("outputs", "name", [o.name for o in outputs])
        self._unique("outputs", "number", [o.number for o in outputs])
        self._unique("routes", "channel and output", [(r.channel, r.output) for r in routes])
        return Tuning(self._rate, channels, routes, outputs, style)

    def _style(self, value: Any) -> str:
        try:
            return number_format(value).name
        except (ValueError, TypeError):
            self._note("number_format", value, '"float32", "float64" or bits such as "5.23"')
        return "float64"

    def _channel(self, data: Any, path: str) -> ChannelSetting:
        item = self._object(data, path, ("name", "gain_db", "filters"))
        return ChannelSetting(
            self._text(item, "name", path), self._gain(item, path), self._filters(item, path)
        )

    def _route(self, data: Any, path: str, channels: set[str], outputs: set[str]) -> Route:
        item = self._object(data, path, ("channel", "output", *_WAY))
        channel = self._text(item, "channel", path, channels)
        return Route(channel, self._text(item, "output", path, outputs), *self._way(item, path))

    def _output(self, data: Any, path: str) -> OutputSetting:
        item = self._object(data, path, ("name", "number", *_WAY, "limiter"))
        name, way = self._text(item, "name", path), self._way(item, path)
        number = self._number(item, "number", path, low=1, whole=True)
        setting = OutputSetting(name, int(number or 0), *way)
        return replace(setting, limiter=self._limiter(item, path))

    def _way(self, item: dict[str, Any], path: str) -> tuple[Any, ...]:
        inverted = item.get("inverted", False)
        if not isinstance(inverted, bool):
            self._note(f"{path}.inverted", inverted, "true or false")
        delay = self._number(item, "delay_ms", path, low=0, default=0.0)
        return self._gain(item, path), bool(inverted), delay or 0.0, self._filters(item, path)

    def _gain(self, item: dict[str, Any], path: str) -> float:
        return self._number(item, "gain_db", path, low=-200, high=200, default=0.0) or 0.0

    def _limiter(self, item: dict[str, Any], path: str) -> Limiter | None:
        if item.get("limiter") is None:
            return None
        path += ".limiter"
        found = self._object(item["limiter"], path, ("threshold_dbfs", "attack_ms", "release_ms"))
        return Limiter(
            self._number(found, "threshold_dbfs", path, low=-200, high=60) or 0.0,
            self._number(found, "attack_ms", path, low=0, default=10.0) or 0.0,
            self._number(found, "release_ms", path, low=0, default=200.0) or 0.0,
        )

    def _filters(self, item: dict[str, Any], path: str) -> tuple[Filter, ...]:
        if "filters" not in item:
            return ()
        return tuple(
            found
            for part in self._list(item, "filters", f"{path}.")
            if (found := self._filter(*part)) is not None
        )

    def _filter(self, data: Any, path: str) -> Filter | None:
        before = len(self.faults)
        item = self._object(data, path, _FILTER)
        if not isinstance(item.get("type"), str):
            self._note(f"{path}.type", item.get("type"), 'a type of filter such as "peaking"')
        values: dict[str, Any] = {
            key: self._number(item, key, path, whole=key == "order")
            for key in ("frequency_hz", "q", "gain_db", "order")
            if item.get(key) is not None
        }
        for key in ("b", "a", "taps"):
            if item.get(key) is not None:
                values[key] = self._numbers(item[key], f"{path}.{key}")
        family = item.get("family")
        if family not in (None, "Butterworth", "Linkwitz-Riley", "Bessel"):
            self._note(f"{path}.family", family, '"Butterworth", "Linkwitz-Riley" or "Bessel"')
        if len(self.faults) > before:
            return None
        built = Filter(item["type"], family=family, **values)
        try:
            check_filter(built, self._rate)
        except ValueError as fault:
            self.faults.append(f"{path}.{fault}")
        return built

    def _numbers(self, value: Any, path: str) -> tuple[float, ...]:
        if isinstance(value, str) and path.endswith("taps"):
            return self._taps_of(value, path)
        if not isinstance(value, list) or not value or not all(_finite(v) for v in value):
            self._note(path, value, "a list of numbers")
            return ()
        return tuple(float(v) for v in value)

    def _taps_of(self, name: str, path: str) -> tuple[float, ...]:
        file = (self._folder or Path()) / name
        try:
            taps, rate = read_sound(file, "give a WAV file of the taps")
        except RoomtuneError as fault:
            self.faults.append(f"{path}: the WAV file {fault}")
            return (1.0,)
        if taps.shape[1] != 1 or rate != self._rate or not len(taps):
            got = f"{taps.shape[1]} channels at {rate:g} Hz, {len(taps)} samples"
            self._note(path, f"{name}: {got}", f"one channel at {self._rate:g} Hz")
            return (1.0,)
        return tuple(taps[:, 0].tolist())

    def _object(self, data: Any, path: str, keys: tuple[str, ...]) -> dict[str, Any]:
        if not isinstance(data, dict):
            self._note(path or "the whole", data, "an object in {}")
            return {}
        for key in data:
            if key not in keys:
                close = difflib.get_close_matches(key.lower(), keys, 1)
                hint = f"did you mean {close[0]!r}?" if close else f"known are {', '.join(keys)}"
                self.faults.append(f"{_join(path, key)}: unknown key; {hint}")
        return data

    def _list(self, data: dict[str, Any], key: str, prefix: str) -> Iterable[tuple[Any, str]]:
        value = data.get(key)
        if not isinstance(value, list):
            self._note(f"{prefix}{key}", value, "a list in []")
            return []
        return [(part, f"{prefix}{key}[{place}]") for place, part in enumerate(value)]

    def _text(self, data: dict[str, Any], key: str, path: str, known: Any = None) -> str:
        value = data.get(key)
        if not isinstance(value, str) or not value:
            self._note(_join(path, key), value, "a name")
            return ""
        if known is not None and value not in known:
            self._note(_join(path, key), value, f"one of {', '.join(sorted(known)) or 'none'}")
        return value

    def _number(
        self,
        data: dict[str, Any],
        key: str,
        path: str,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        default: float | None = None,
        whole: bool = False,
    ) -> float | None:
        value: Any = data.get(key, default)
        if _finite(value) and low <= value <= high and not (whole and value != int(value)):
            return int(value) if whole else float(value)
        kind = "a whole number" if whole else "a number"
        ends = [f"at least {low:g}"] if low > -math.inf else []
        ends += [f"at most {high:g}"] if high < math.inf else []
        self._note(_join(path, key), value, " ".join([kind, " and ".join(ends)]).strip())
        return default

    def _unique(self, path: str, key: str, values: list[Any]) -> None:
        for value in dict.fromkeys(v for v in values if values.count(v) > 1 and v not in ("", 0)):
            places = [f"{path}[{i}]" for i, v in enumerate(values) if v == value]
            self.faults.append(f"{' and '.join(places)}: the same {key} {value!r}")

    def _note(self, path: str, got: Any, expected: str) -> None:
        text = "nothing" if got is None else repr(got)
        short = text if len(text) <= 60 else text[:57] + "..."
        self.faults.append(f"{path}: got {short}, expected {expected}")


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


def _finite(value: Any) -> bool:
    """Whether this is a number that a float can hold."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    return abs(value) <= sys.float_info.max
