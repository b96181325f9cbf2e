"""Each table of a system.toml checked on its own, faults put into plain words."""

from __future__ import annotations

import difflib
import json
import re
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from roomtune.system.faults import Fault, Path, shown

PartType = TypeVar("PartType", bound=BaseModel)
_UNITS = {"hz": "Hz", "db": "dB", "dbfs": "dB re full scale", "ms": "ms", "s": "s", "m": "m"}
_UNITS |= {"mm": "mm", "cm2": "cm2", "l": "litres", "w": "W", "ohm": "ohm", "v": "V"}
_NUMBER_WITH_UNIT = re.compile(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*([A-Za-zµ°]+)\.?\s*$")
_FACTORS = {"k": 1000.0, "m": 0.001, "c": 0.01, "µ": 1e-6, "u": 1e-6}


# A sound value for every key that some part must have.
_SAMPLES: dict[str, Any] = {
    "name": "unknown",
    "number": 1,
    "loudspeaker": "unknown",
    "driver": "woofer",
    "playback": {"interface_output": 1},
    "safe_band_hz": [100, 1000],
    "minimum": 0,
    "maximum": 1,
}


def parse_part(kind: type[PartType], data: Any, path: Path) -> tuple[PartType, list[Fault]]:
    """The part and what is wrong with it.

    When something is, its keys that are not sound (or missing) hold None, so
    that the sound ones can still be checked against the rest of the system.
    """
    try:
        return kind.model_validate_json(_as_json(data), strict=True), []
    except ValidationError as error:
        items = error.errors(include_url=False)
    faults = [_fault(kind, dict(item), path) for item in items]
    unsound = {str(item["loc"][0]) for item in items}
    sound = {key: value for key, value in data.items() if key not in unsound}
    fields = kind.model_fields
    samples = {key: _SAMPLES[key] for key in unsound if key in fields and key in _SAMPLES}
    part = kind.model_validate_json(_as_json(sound | samples), strict=True)
    gone = {key: None for key in unsound if key in fields}
    return part.model_copy(update=gone), list(dict.fromkeys(faults))


def _as_json(data: Any) -> str:
    """Plain data as JSON; dates and times as text."""
    return json.dumps(data, default=str)


def _fault(kind: type[BaseModel], item: dict[str, Any], path: Path) -> Fault:
    inner = tuple(part for part in item["loc"] if part not in ("str", "int", "float", "[key]"))
    full = (*path, *inner)
    if item["type"] == "extra_forbidden":
        return Fault(full, unknown_key(str(inner[-1]), known_keys(kind, inner[:-1])))
    if item["type"] == "missing":
        return Fault(full[:-1] if not isinstance(full[-1], int) else full, _missing(kind, inner))
    return Fault(full, _wrong(item, inner))


def _missing(kind: type[BaseModel], inner: Path) -> str:
    """What to add for a missing key; a list that is too short."""
    if isinstance(inner[-1], int):
        return "got too few values, expected one more"
    unit = _unit(inner)
    return (
        f'the key "{inner[-1]}" is missing; add {inner[-1]} = ...{f" (in {unit})" if unit else ""}'
    )


def known_keys(kind: type[BaseModel], inner: Path) -> list[str]:
    """Keys of the part that a path inside `kind` leads to."""
    for part in inner:
        field = kind.model_fields.get(str(part))
        models = [] if field is None else _models(field.annotation)
        if models:
            kind = models[0]
    return list(kind.model_fields)


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in getattr(annotation, "__args__", ()) for m in _models(part)]


def unknown_key(key: str, known: list[str]) -> str:
    """What to say about a key that nobody knows."""
    close = difflib.get_close_matches(key.lower(), known, 1, 0.6)
    close = close or [k for k in known if k.rsplit("_", 1)[0] == key.lower()]
    if close:
        return f'unknown key; did you mean "{close[0]}"?'
    return f"unknown key; known here are {', '.join(known)}"


def _wrong(item: dict[str, Any], inner: Path) -> str:
    """Got, expected, what to do."""
    got, context = shown(item["input"]), item.get("ctx", {})
    kind, unit = item["type"], _unit(inner)
    unit_text = f" in {unit}" if unit else ""
    if kind in ("float_type", "int_type", "float_parsing", "int_parsing", "finite_number"):
        whole = "a whole number" if kind.startswith("int") else "a number"
        return f"got {got}, expected {whole}{unit_text}{_remedy(item['input'], inner)}"
    if kind == "int_from_float":
        return f"got {got}, expected a whole number{unit_text}"
    bounds = {
        "greater_than": "more than {gt:g}",
        "greater_than_equal": "at least {ge:g}",
        "less_than": "less than {lt:g}",
        "less_than_equal": "at most {le:g}",
    }
    if kind in bounds:
        return f"got {got}, expected {bounds[kind].format(**context)}{unit_text}"
    if kind == "literal_error":
        return f"got {got}, expected {context['expected'].replace(chr(39), chr(34))}{_like(item)}"
    if kind == "string_pattern_mismatch":
        return (
            f"got {got}, expected a name of at most 40 letters, digits, spaces and . + - _ "
            "that starts with a letter or digit"
        )
    names = {
        "string_type": 'a text in "quotes"',
        "bool_type": "true or false",
        "bool_parsing": "true or false",
        "tuple_type": f"a list in []{unit_text}",
        "dict_type": "a table",
        "model_type": "a table",
    }
    if kind in names:
        return f"got {got}, expected {names[kind]}"
    if kind == "too_long":
        return f"got {got}, expected {context['max_length']} values"
    return f"got {got}: {item['msg'][0].lower()}{item['msg'][1:]}"


def _like(item: dict[str, Any]) -> str:
    options = re.findall(r"'([^']*)'", item["ctx"]["expected"])
    close = difflib.get_close_matches(str(item["input"]).lower(), [o.lower() for o in options], 1)
    best = next((o for o in options if close and o.lower() == close[0]), None)
    return f'; did you mean "{best}"?' if best else ""


def _unit(inner: Path) -> str:
    """Unit that a key's ending states, such as Hz for safe_band_hz."""
    name = next((str(p) for p in reversed(inner) if isinstance(p, str)), "")
    name = next((str(p) for p in inner if str(p).startswith(("delay_", "filter_f"))), name)
    ending = name.rsplit("_", 1)
    return _UNITS.get(ending[-1], "") if len(ending) == 2 else ""


def _remedy(value: Any, inner: Path) -> str:
    """How to write a number that came as a text with a unit."""
    found = _NUMBER_WITH_UNIT.match(value) if isinstance(value, str) else None
    unit = _unit(inner)
    if isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", value):
        return f": write {value.strip()} without quotes"
    if not found:
        return ""
    number, given = float(found[1].replace(",", ".")), found[2]
    if unit and given.lower() == unit.lower():
        return f": write {number:g} without the unit"
    factor = _FACTORS.get(given[:1])
    if unit and factor and given[1:].lower() == unit.lower():
        return f": write {number * factor:g}"
    return f": write the number alone{f', in {unit}' if unit else ''}"
