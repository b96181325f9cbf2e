"""Putting a tuning on the steps of the processor."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from roomtune.processor.capabilities import Capabilities, Knob
from roomtune.processor.tuning import Filter, Tuning


def rounded_to(value: float, allowed: Knob) -> float:
    """The nearest value that a knob can take; steps count from its minimum.

    Clean decimals (15 digits), halves to even steps; rounding twice changes nothing.
    """
    held = min(max(value, allowed.minimum), allowed.maximum)
    if allowed.step <= 0:
        return held
    most = int((allowed.maximum - allowed.minimum) / allowed.step + 1e-9)
    steps = min(round((held - allowed.minimum) / allowed.step), most)
    return float(f"{allowed.minimum + steps * allowed.step:.12g}")


def rounded_filter(item: Filter, processor: Capabilities) -> Filter:
    """The filter with its values on the processor's steps."""
    changes: dict[str, float] = {}
    if item.frequency_hz is not None:
        changes["frequency_hz"] = rounded_frequency(item.frequency_hz, processor)
    if item.q is not None:
        changes["q"] = rounded_to(item.q, processor.filter_q)
    if item.gain_db is not None:
        changes["gain_db"] = rounded_to(item.gain_db, processor.filter_gain_db)
    return replace(item, **changes)  # type: ignore[arg-type]


def rounded_frequency(frequency_hz: float, processor: Capabilities) -> float:
    """The nearest filter frequency: significant digits first, if limited, then steps."""
    digits = processor.frequency_significant_digits
    value = float(f"{frequency_hz:.{digits}g}") if digits else frequency_hz
    return rounded_to(value, processor.filter_frequency_hz)


def rounded(tuning: Tuning, processor: Capabilities) -> Tuning:
    """The tuning as the processor will hold it: every value on its knob's nearest step.

    Values beyond a knob's range come to its end: `misfits` says which. The
    tuning also takes over the processor's sample rate and number format, so
    that the predicted response is that of the held coefficients.
    """

    gain, delay = processor.gain_db, processor.delay_ms
    channels = tuple(
        replace(
            c, gain_db=rounded_to(c.gain_db, gain), filters=_rounded_filters(c.filters, processor)
        )
        for c in tuning.channels
    )
    routes = tuple(
        replace(
            r,
            gain_db=rounded_to(r.gain_db, gain),
            delay_ms=rounded_to(r.delay_ms, delay) if r.delay_ms else 0.0,
            filters=_rounded_filters(r.filters, processor),
        )
        for r in tuning.routes
    )
    outputs = tuple(
        replace(
            o,
            gain_db=rounded_to(o.gain_db, gain),
            delay_ms=rounded_to(o.delay_ms, delay) if o.delay_ms else 0.0,
            filters=_rounded_filters(o.filters, processor),
        )
        for o in tuning.outputs
    )
    return replace(
        tuning,
        sample_rate_hz=processor.sample_rate_hz,
        channels=channels,
        routes=routes,
        outputs=outputs,
        number_format=processor.number_format,
    )


def _rounded_filters(filters: Iterable[Filter], processor: Capabilities) -> tuple[Filter, ...]:
    return tuple(rounded_filter(item, processor) for item in filters)
