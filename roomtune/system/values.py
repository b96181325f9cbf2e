"""Values that are possible by themselves but cannot be meant: units, ends, formats."""

from __future__ import annotations

import re
from collections.abc import Iterator

from roomtune.system.draft import Check, Draft, quoted
from roomtune.system.faults import Fault, Path
from roomtune.system.model import Range
from roomtune.system.target_words import parse_adjustment

_RANGES = (
    "delay_ms",
    "gain_db",
    "filter_gain_db",
    "filter_q",
    "filter_frequency_hz",
    "limiter_threshold_dbfs",
    "limiter_attack_ms",
    "limiter_release_ms",
)
_FIXED_POINT = re.compile(r"\d{1,2}\.\d{1,2}")


def _bands(draft: Draft) -> Iterator[Fault]:
    nyquist_hz = (draft.audio.sample_rate_hz or 192000) / 2
    for place, output in enumerate(draft.outputs):
        path = ("outputs", place, "safe_band_hz")
        if output.safe_band_hz is None:
            continue
        low, high = output.safe_band_hz
        got = f"got [{low:g}, {high:g}] Hz"
        if low <= 0:
            yield Fault(path, f"{got}, expected a lower end above 0")
        elif high < low:
            yield Fault(path, f"{got}, expected the lower end first: [{high:g}, {low:g}]")
        elif high <= 1.1 * low:
            yield Fault(path, f"{got}, expected an upper end well above the lower one")
        elif high < 30:
            yield Fault(path, f"{got}: is that kHz? Write [{low * 1000:g}, {high * 1000:g}]")
        elif high > nyquist_hz:
            yield Fault(
                path,
                f"{got}, expected at most {nyquist_hz:g}, half of sample_rate_hz under [audio]",
            )


def _frequencies(draft: Draft) -> Iterator[Fault]:
    """Values that are possible but surely in another unit."""
    named: list[tuple[Path, float | None]] = []
    named.append((("wishes", "bass_crossover_hz"), draft.wishes.bass_crossover_hz))
    for name, values in (draft.wishes.crossovers_hz or {}).items():
        path: Path = ("wishes", "crossovers_hz", name)
        named += [((*path, place), value) for place, value in enumerate(values)]
        if list(values) != sorted(set(values)):
            yield Fault(path, f"got {list(values)}, expected rising frequencies, lowest first")
    named.append((("target", "bass_lift_below_hz"), draft.target.bass_lift_below_hz))
    for place, output in enumerate(draft.outputs):
        if output.data is not None:
            named.append((("outputs", place, "data", "resonance_hz"), output.data.resonance_hz))
    bass_hz = draft.wishes.bass_crossover_hz
    if bass_hz is not None and bass_hz > 500:
        yield Fault(
            ("wishes", "bass_crossover_hz"),
            f"got {bass_hz:g} Hz, expected at most 500: from there down bass may be redirected",
        )
    for key, value in named:
        if value is not None and value < 8:
            yield Fault(key, f"got {value:g} Hz, expected at least 8; is that kHz? {_kilo(value)}")


def _kilo(value: float) -> str:
    return f"Write {value * 1000:g}" if value > 0 else "Write it in Hz"


def _positions(draft: Draft) -> Iterator[Fault]:
    placed: list[tuple[Path, tuple[float, float, float] | None]] = []
    for place, speaker in enumerate(draft.loudspeakers):
        placed.append((("loudspeakers", place, "position_m"), speaker.position_m))
    for place, seat in enumerate(draft.seats):
        placed.append((("seats", place, "position_m"), seat.position_m))
    for path, position in placed:
        if position is not None and max(map(abs, position)) > 50:
            got = ", ".join(f"{value:g}" for value in position)
            yield Fault(path, f"got [{got}] m, expected within 50 m; is that cm or mm?")


def _ranges(draft: Draft) -> Iterator[Fault]:
    for key in _RANGES:
        allowed: Range | None = getattr(draft.processor, key)
        if allowed is None:
            continue
        if not allowed.minimum <= allowed.maximum:
            yield Fault(
                ("processor", key),
                f"got minimum {allowed.minimum:g} above maximum {allowed.maximum:g}",
            )
        elif key in ("filter_q", "filter_frequency_hz") and allowed.minimum <= 0:
            yield Fault(("processor", key, "minimum"), "expected more than 0")
        elif key.endswith("_ms") and allowed.minimum < 0:
            what = "delay" if key == "delay_ms" else "time"
            yield Fault(("processor", key, "minimum"), f"a {what} cannot be negative")


def _number_format(draft: Draft) -> Iterator[Fault]:
    style = draft.processor.number_format
    if style is None or style in ("float32", "float64"):
        return
    bits = [int(part) for part in style.split(".")] if _FIXED_POINT.fullmatch(style) else []
    if not (bits and min(bits) >= 1 and sum(bits) <= 64):
        yield Fault(
            ("processor", "number_format"),
            f'got {quoted(style)}, expected "float32", "float64", or integer and fraction bits '
            'of a fixed-point format such as "5.23", at most 64 in all',
        )
    elif bits[0] < 2:
        yield Fault(
            ("processor", "number_format"),
            f"{quoted(style)} holds values below 1 only, but filters need coefficients up to 2; "
            f'if the processor stores them halved, say "2.{bits[1] - 1 or 1}"',
        )


def _orders(draft: Draft) -> Iterator[Fault]:
    for family, orders in (draft.processor.crossovers or {}).items():
        kind = "an even order" if family == "Linkwitz-Riley" else "an order"
        for place, order in enumerate(orders):
            if not 1 <= order <= 24 or (family == "Linkwitz-Riley" and order % 2):
                yield Fault(
                    ("processor", "crossovers", family, place),
                    f"got {order}, expected {kind} from 1 to 24 (order 4 falls 24 dB per octave)",
                )


def _target(draft: Draft) -> Iterator[Fault]:
    if (draft.target.shape == "file") != (draft.target.curve_file is not None):
        yield Fault(
            ("target",), 'shape = "file" and curve_file = "..." go together: add the other one'
        )
    for place, words in enumerate(draft.target.adjustments or ()):
        try:
            parse_adjustment(words)
        except ValueError as fault:
            yield Fault(("target", "adjustments", place), str(fault))


VALUE_CHECKS: tuple[Check, ...] = (
    _bands,
    _frequencies,
    _positions,
    _ranges,
    _number_format,
    _orders,
    _target,
)
