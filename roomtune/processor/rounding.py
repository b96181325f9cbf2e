"""Putting a tuning on the steps of the processor, and saying what does not fit it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from roomtune.processor.capabilities import Capabilities, Knob
from roomtune.processor.tuning import Filter, OutputSetting, Tuning


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

    def on_steps(filters: Iterable[Filter]) -> tuple[Filter, ...]:
        return tuple(rounded_filter(f, processor) for f in filters)

    gain, delay = processor.gain_db, processor.delay_ms
    channels = tuple(
        replace(c, gain_db=rounded_to(c.gain_db, gain), filters=on_steps(c.filters))
        for c in tuning.channels
    )
    routes = tuple(
        replace(
            r,
            gain_db=rounded_to(r.gain_db, gain),
            delay_ms=rounded_to(r.delay_ms, delay) if r.delay_ms else 0.0,
            filters=on_steps(r.filters),
        )
        for r in tuning.routes
    )
    outputs = tuple(
        replace(
            o,
            gain_db=rounded_to(o.gain_db, gain),
            delay_ms=rounded_to(o.delay_ms, delay) if o.delay_ms else 0.0,
            filters=on_steps(o.filters),
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


def misfits(tuning: Tuning, processor: Capabilities) -> tuple[str, ...]:
    """What of the tuning the processor cannot hold, each in one sentence; empty if it fits."""
    found: list[str] = []
    for channel in tuning.channels:
        found += _filters(
            f"channel {channel.name!r}", channel.filters, processor.filters_per_channel, processor
        )
        found += _range(f"channel {channel.name!r} gain_db", channel.gain_db, processor.gain_db)
    for route in tuning.routes:
        where = f"route {route.channel!r} to {route.output!r}"
        found += _filters(where, route.filters, processor.filters_per_route, processor)
        found += _range(f"{where} gain_db", route.gain_db, processor.gain_db)
        if not processor.route_gains and route.gain_db:
            found.append(f"{where}: gain {route.gain_db:g} dB, but routes have no gain")
        if route.delay_ms and not processor.route_delays:
            found.append(f"{where}: delay {route.delay_ms:g} ms, but routes have no delay")
    for output in tuning.outputs:
        found += _output(output, processor)
    return tuple(found)


def _output(output: OutputSetting, processor: Capabilities) -> list[str]:
    where = f"output {output.name!r}"
    found = _filters(where, output.filters, processor.filters_per_output, processor)
    found += _range(f"{where} gain_db", output.gain_db, processor.gain_db)
    if output.delay_ms:
        found += _range(f"{where} delay_ms", output.delay_ms, processor.delay_ms)
    if output.limiter is not None and not processor.limiters:
        found.append(f"{where}: has a limiter, but the processor has none")
    taps = sum(len(f.taps or ()) for f in output.filters)
    if taps > processor.fir_taps_per_output:
        found.append(f"{where}: {taps} taps, but there are {processor.fir_taps_per_output}")
    return found


def _filters(
    where: str, filters: tuple[Filter, ...], available: int, processor: Capabilities
) -> list[str]:
    parametric = [f for f in filters if f.type not in ("low pass", "high pass", "fir")]
    found = []
    if len(parametric) > available:
        found.append(f"{where}: {len(parametric)} filters, but there are {available}")
    for item in filters:
        found += _filter(f"{where}, {item.type}", item, processor)
    return found


def _filter(where: str, item: Filter, processor: Capabilities) -> list[str]:
    found = []
    if item.type in ("low pass", "high pass"):
        orders = processor.crossovers.get(item.family, ()) if item.family else ()
        if item.family is not None and item.order not in orders:
            offered = ", ".join(map(str, orders)) or "none"
            found.append(f"{where}: {item.family} order {item.order}, offered: {offered}")
    elif item.type not in ("fir", *processor.filter_types):
        found.append(f"{where}: offered are only {', '.join(processor.filter_types)}")
    if item.frequency_hz is not None:
        found += _range(f"{where} frequency_hz", item.frequency_hz, processor.filter_frequency_hz)
    if item.q is not None:
        found += _range(f"{where} q", item.q, processor.filter_q)
    if item.gain_db is not None:
        found += _range(f"{where} gain_db", item.gain_db, processor.filter_gain_db)
    return found


def _range(where: str, value: float, allowed: Knob) -> list[str]:
    if allowed.minimum <= value <= allowed.maximum:
        return []
    return [f"{where}: {value:g}, but the range is {allowed.minimum:g} to {allowed.maximum:g}"]
