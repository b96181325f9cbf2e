"""Plain values for JSON from frozen dataclasses, and back, guided by their annotations.

Tuples become lists, arrays nested lists (complex ones a pair of lists, evenly
spaced ones their start, step and count), floats
that are not finite the texts "nan", "inf", "-inf". Fields missing in old files take the
dataclass's default; fields that are no longer known are skipped.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import types
from collections.abc import Callable
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

Encoder = Callable[[Any], Any]
FEWEST_SPACED, MOST_SPACED = 16, 2**24
_NOT_FINITE = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


def to_plain(value: Any, special: dict[type, Encoder] | None = None) -> Any:
    """Return `value` as what JSON can hold; `special` encodes chosen types its own way."""
    special = special or {}
    if type(value) in special:
        return special[type(value)](value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [f.name for f in dataclasses.fields(value)]
        return {name: to_plain(getattr(value, name), special) for name in names}
    if isinstance(value, np.ndarray):
        return _plain_array(value)
    if isinstance(value, dict):
        return {str(key): to_plain(item, special) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [to_plain(item, special) for item in value]
    return _plain_scalar(value)


def _plain_scalar(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise ValueError(f"cannot store a {type(value).__name__} ({value!r})")


def _plain_array(array: np.ndarray) -> Any:
    """Nested lists; evenly spaced values as {"start", "step", "count"} when that is exact."""
    if np.iscomplexobj(array):
        return {"real": _plain_array(array.real), "imaginary": _plain_array(array.imag)}
    if array.ndim == 1 and array.dtype.kind == "f" and array.size >= FEWEST_SPACED:
        start, step = float(array[0]), float(array[1] - array[0])
        if np.array_equal(array, _spaced(start, step, array.size)):
            return {"start": start, "step": step, "count": array.size}
    if array.dtype.kind == "f" and not np.isfinite(array).all():
        return to_plain(array.tolist())
    return array.tolist()


def _spaced(start: float, step: float, count: int) -> np.ndarray:
    return start + step * np.arange(count)


def from_plain(kind: Any, data: Any, special: dict[Any, Encoder] | None = None) -> Any:
    """Return a value of type `kind` from plain data; ValueError that says where it does not fit."""
    special = special or {}
    if kind in special:
        return special[kind](data)
    if dataclasses.is_dataclass(kind):
        return _dataclass(kind, data, special)
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _one_of(get_args(kind), data, special)
    if origin is Literal:
        if data not in get_args(kind):
            raise ValueError(f"got {data!r}, expected one of {get_args(kind)}")
        return data
    if origin in (tuple, list, dict):
        return _container(origin, get_args(kind), data, special)
    if kind is np.ndarray or origin is np.ndarray:
        return _array(data)
    return _scalar(kind, data)


def _dataclass(kind: Any, data: Any, special: dict[Any, Encoder]) -> Any:
    if not isinstance(data, dict):
        raise ValueError(f"expected the fields of a {kind.__name__}, got {type(data).__name__}")
    values = {}
    for name, hint in _hints(kind).items():
        if name in data:
            try:
                values[name] = from_plain(hint, data[name], special)
            except ValueError as error:
                raise ValueError(f"{name}: {error}") from error
    try:
        return kind(**values)
    except (TypeError, ArithmeticError) as error:
        raise ValueError(f"{kind.__name__} is incomplete or nonsense: {error}") from error


@functools.cache
def _hints(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {f.name: hints[f.name] for f in dataclasses.fields(kind) if f.init}


def _one_of(kinds: tuple[Any, ...], data: Any, special: dict[Any, Encoder]) -> Any:
    if data is None and type(None) in kinds:
        return None
    faults = []
    for kind in (k for k in kinds if k is not type(None)):
        try:
            return from_plain(kind, data, special)
        except ValueError as error:
            faults.append(str(error))
    raise ValueError(" / ".join(faults))


def _container(origin: Any, kinds: tuple[Any, ...], data: Any, special: dict[Any, Encoder]) -> Any:
    if origin is dict:
        if not isinstance(data, dict):
            raise ValueError(f"expected named values, got {type(data).__name__}")
        return {key: from_plain(kinds[1], item, special) for key, item in data.items()}
    if not isinstance(data, list):
        raise ValueError(f"expected a list, got {type(data).__name__}")
    if origin is tuple and kinds and kinds[-1] is not Ellipsis:
        if len(kinds) != len(data):
            raise ValueError(f"expected {len(kinds)} values, got {len(data)}")
        return tuple(from_plain(k, item, special) for k, item in zip(kinds, data, strict=True))
    item_kind = kinds[0] if kinds else Any
    return origin(from_plain(item_kind, item, special) for item in data)


def _array(data: Any) -> np.ndarray:
    if isinstance(data, dict) and "step" in data:
        return _spaced_array(data)
    if isinstance(data, dict):
        real, imaginary = (_array(data.get(key)) for key in ("real", "imaginary"))
        return real + 1j * imaginary
    if not isinstance(data, list):
        raise ValueError(f"not an array of numbers but {data!r:.40}")
    try:
        array = np.array(data, dtype=None if _whole(data) else float)
    except (TypeError, ValueError, OverflowError) as error:
        raise ValueError(f"not an array of numbers: {error}") from error
    if array.dtype.kind not in "biuf":
        raise ValueError("not an array of numbers alone")
    return array


def _spaced_array(data: dict[str, Any]) -> np.ndarray:
    """Evenly spaced values; ValueError for what is no such description."""
    start, step = (_scalar(float, data.get(key)) for key in ("start", "step"))
    count = _scalar(int, data.get("count"))
    if not 0 <= count <= MOST_SPACED:
        raise ValueError(f"{count} evenly spaced values, expected 0 to {MOST_SPACED}")
    return _spaced(start, step, count)


def _whole(data: Any) -> bool:
    """Whether the first element is a whole number or a truth value (kept as such)."""
    while isinstance(data, list):
        if not data:
            return False
        data = data[0]
    return isinstance(data, int)


def _scalar(kind: Any, data: Any) -> Any:
    if kind is Any or kind is object:
        return data
    if kind is float:
        if isinstance(data, str) and data in _NOT_FINITE:
            return _NOT_FINITE[data]
        if isinstance(data, bool) or not isinstance(data, int | float):
            raise ValueError(f"expected a number, got {data!r:.40}")
        try:
            return float(data)
        except OverflowError:
            raise ValueError("got a number with far too many digits") from None
    if kind is int and isinstance(data, bool):
        raise ValueError(f"expected a whole number, got {data!r}")
    if isinstance(kind, type) and not isinstance(data, kind):
        raise ValueError(f"expected {kind.__name__}, got {data!r}")
    return data


def readable_json(plain: Any) -> bytes:
    """JSON laid out for people: a line per value, but long lists of numbers on one line each.

    Raises ValueError for numbers that are not finite.
    """
    return (_laid_out(plain, "\n") + "\n").encode()


def _laid_out(value: Any, line: str) -> str:
    """The text of a value whose own line begins with `line`: a break and the indentation.

    A function of its own without closures: no take leaves a cycle for the collector behind.
    """
    if isinstance(value, dict) and value:
        parts = [f"{_text(str(key))}: {_laid_out(item, line + ' ')}" for key, item in value.items()]
        return f"{{{line} " + f",{line} ".join(parts) + f"{line}}}"
    if isinstance(value, list) and not {int, float}.issuperset(map(type, value)):
        parts = [_laid_out(item, line + " ") for item in value]
        return f"[{line} " + f",{line} ".join(parts) + f"{line}]"
    return _text(value)


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
