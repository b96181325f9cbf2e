"""Number formats of coefficients: floating point, or fixed point "A.B".

"A.B" has A integer bits including the sign and B fraction bits, two's
complement; values are rounded half to even and saturate at the ends. The
rounding mode of a device may differ: allow one step.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

_FLOATS = {"float32": np.float32, "float64": np.float64}


@dataclass(frozen=True)
class NumberFormat:
    """A coefficient format; `integer_bits` includes the sign, both 0 for floating point."""

    name: str
    integer_bits: int = 0
    fraction_bits: int = 0

    @property
    def floating(self) -> bool:
        """Whether this is a floating-point format."""
        return self.name in _FLOATS

    @property
    def bits(self) -> int:
        """Width of a word."""
        if self.floating:
            return 8 * np.dtype(_FLOATS[self.name]).itemsize
        return self.integer_bits + self.fraction_bits

    @property
    def step(self) -> float:
        """Distance of neighbouring fixed-point values; ValueError for floating point."""
        if self.floating:
            raise ValueError(f"{self.name} has no single step")
        return 2.0**-self.fraction_bits


@lru_cache(maxsize=64)
def number_format(text: str) -> NumberFormat:
    """Parse "float32", "float64" or "A.B" such as "5.23"; ValueError says what is wrong."""
    if text in _FLOATS:
        return NumberFormat(text)
    found = re.fullmatch(r"(\d{1,2})\.(\d{1,2})", text)
    expected = 'expected "float32", "float64" or integer.fraction bits such as "5.23"'
    if not found:
        raise ValueError(f"unknown number format {text!r}: {expected}")
    integer_bits, fraction_bits = int(found[1]), int(found[2])
    if integer_bits < 1 or fraction_bits < 1 or integer_bits + fraction_bits > 64:
        raise ValueError(f"number format {text!r} is not of 2 to 64 bits with a sign: {expected}")
    return NumberFormat(text, integer_bits, fraction_bits)


def words(values: ArrayLike, style: NumberFormat) -> tuple[int, ...]:
    """The stored integers, flattened: signed for fixed point, the bit pattern for floats."""
    flat = np.asarray(values, dtype=np.float64).ravel()
    if style.floating:
        kind = np.dtype(_FLOATS[style.name])
        patterns = flat.astype(kind).view(f"u{kind.itemsize}")
        return tuple(int(pattern) for pattern in patterns)
    largest = 2 ** (style.bits - 1) - 1
    scale = 2**style.fraction_bits
    return tuple(min(max(_nearest(v, scale), -largest - 1), largest) for v in flat)


def hexadecimal(values: ArrayLike, style: NumberFormat) -> tuple[str, ...]:
    """The stored words as hexadecimal digits (two's complement), as wide as the format."""
    digits = -(-style.bits // 4)
    mask = 2**style.bits - 1
    return tuple(f"0x{word & mask:0{digits}X}" for word in words(values, style))


def quantised(values: ArrayLike, style: NumberFormat) -> NDArray[np.float64]:
    """The values that the format holds, nearest to the given ones; same shape."""
    array = np.asarray(values, dtype=np.float64)
    if style.floating:
        return array.astype(_FLOATS[style.name]).astype(np.float64)
    held = [word / 2**style.fraction_bits for word in words(array, style)]
    return np.array(held, dtype=np.float64).reshape(array.shape)


def _nearest(value: float, scale: int) -> int:
    """value * scale rounded half to even, exact at any size (a power of two scales exactly)."""
    return round(float(value) * scale)
