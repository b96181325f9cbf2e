"""What of a tuning a processor cannot hold, in sentences."""

from __future__ import annotations

from roomtune.processor.capabilities import Capabilities, Knob
from roomtune.processor.tuning import Filter, OutputSetting, Tuning


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
