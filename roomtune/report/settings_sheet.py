"""The settings sheet: a tuning in the order in which a person types it in."""

from __future__ import annotations

from dataclasses import dataclass

from roomtune.processor.quality import bandwidth_octaves
from roomtune.processor.response import delay_samples
from roomtune.processor.tuning import Filter, Route, Tuning
from roomtune.system.model import Processor, Range, System

SOUND_SPEED_M_PER_S = 343.2
WIDE = ("peaking", "notch", "band pass")


@dataclass(frozen=True)
class Setting:
    """One value to type: its name, its text (on the processor's steps), its unit, a hint."""

    name: str
    value: str
    unit: str = ""
    hint: str = ""


@dataclass(frozen=True)
class FilterLine:
    """One filter to type, every value as text; empty where the type has no such value."""

    number: int
    type: str
    frequency_hz: str = ""
    q: str = ""
    bandwidth_octaves: str = ""
    gain_db: str = ""
    slope: str = ""


@dataclass(frozen=True)
class Section:
    """All that is typed at one place: a channel, the routes of a channel, an output."""

    kind: str
    title: str
    note: str
    settings: tuple[Setting, ...]
    filters: tuple[FilterLine, ...] = ()


def settings_sheet(tuning: Tuning, system: System) -> tuple[Section, ...]:
    """Sections in typing order: channels, routes, then outputs by their number."""
    processor = system.processor
    channels = [
        Section(
            "channel",
            f"Channel {c.name}",
            "",
            (Setting("gain", value_text(c.gain_db, processor.gain_db), "dB"),),
            _filter_lines(c.filters, processor),
        )
        for c in tuning.channels
    ]
    routes = [
        Section(
            "routes",
            f"Routes of channel {c.name}",
            "every route that is not listed is off",
            tuple(_route(r, tuning, processor) for r in tuning.routes if r.channel == c.name),
        )
        for c in tuning.channels
    ]
    ordered = sorted(tuning.outputs, key=lambda o: o.number)
    outputs = [_output_section(tuning, o.name, system) for o in ordered]
    return (*channels, *[r for r in routes if r.settings], *outputs)


def _route(route: Route, tuning: Tuning, processor: Processor) -> Setting:
    number = tuning.output(route.output).number
    hints = ["inverted"] if route.inverted else []
    if route.delay_ms:
        hints.append(f"delay {value_text(route.delay_ms, processor.delay_ms)} ms")
    hints += [_filter_text(f, processor) for f in route.filters]
    return Setting(
        f"to output {number}, {route.output}",
        value_text(route.gain_db, processor.gain_db),
        "dB",
        "; ".join(hints),
    )


def _output_section(tuning: Tuning, name: str, system: System) -> Section:
    output, processor = tuning.output(name), system.processor
    known = {o.name: o for o in system.outputs}
    note = f"{known[name].driver} of {known[name].loudspeaker}" if name in known else ""
    settings = [
        Setting("gain", value_text(output.gain_db, processor.gain_db), "dB"),
        Setting("polarity", "inverted" if output.inverted else "normal"),
        Setting(
            "delay",
            value_text(output.delay_ms, processor.delay_ms),
            "ms",
            f"{delay_samples(output.delay_ms, tuning.sample_rate_hz)} samples, "
            f"{output.delay_ms / 10 * SOUND_SPEED_M_PER_S:.1f} cm",
        ),
    ]
    if output.limiter is not None:
        limiter = output.limiter
        settings += [
            Setting("limiter threshold", f"{limiter.threshold_dbfs:g}", "dB re full scale"),
            Setting("limiter attack", f"{limiter.attack_ms:g}", "ms"),
            Setting("limiter release", f"{limiter.release_ms:g}", "ms"),
        ]
    title = f"Output {output.number}: {name}"
    return Section("output", title, note, tuple(settings), _filter_lines(output.filters, processor))


def _filter_lines(filters: tuple[Filter, ...], processor: Processor) -> tuple[FilterLine, ...]:
    return tuple(_filter_line(i, f, processor) for i, f in enumerate(filters, start=1))


def _filter_line(number: int, item: Filter, processor: Processor) -> FilterLine:
    slope = f"{item.family} order {item.order}" if item.family else ""
    if item.b is not None and item.a is not None:
        slope = "b " + " ".join(f"{v:.9g}" for v in item.b)
        slope += ", a " + " ".join(f"{v:.9g}" for v in item.a)
    if item.taps is not None:
        slope = f"{len(item.taps)} taps (exported as a WAV file)"
    return FilterLine(
        number,
        item.type,
        _optional(item.frequency_hz, processor.filter_frequency_hz),
        _optional(item.q, processor.filter_q),
        _bandwidth(item, processor),
        _optional(item.gain_db, processor.filter_gain_db),
        slope,
    )


def _filter_text(item: Filter, processor: Processor) -> str:
    line = _filter_line(1, item, processor)
    parts = [line.type, f"{line.frequency_hz} Hz" if line.frequency_hz else "", line.slope]
    parts += [f"Q {line.q}" if line.q else "", f"{line.gain_db} dB" if line.gain_db else ""]
    return " ".join(part for part in parts if part)


def _bandwidth(item: Filter, processor: Processor) -> str:
    """For processors that ask for the width of a filter in octaves instead of its Q."""
    if item.type not in WIDE or item.q is None or item.frequency_hz is None:
        return ""
    return f"{bandwidth_octaves(item.q, item.frequency_hz, processor.sample_rate_hz):.3f}"


def _optional(value: float | None, allowed: Range) -> str:
    return "" if value is None else value_text(value, allowed)


def value_text(value: float, allowed: Range) -> str:
    """A value with the decimals of its knob's step; never fewer than it needs."""
    decimals = 0
    while decimals < 6 and allowed.step and round(allowed.step, decimals) != allowed.step:
        decimals += 1
    text = f"{value:.{decimals}f}" if allowed.step else f"{value:.6g}"
    exact = f"{value:.10g}"
    return text if abs(float(text) - value) < 1e-9 else exact


COLUMNS = (
    "place",
    "setting",
    "filter number",
    "filter type",
    "frequency (Hz)",
    "Q",
    "bandwidth (octaves)",
    "slope",
    "gain (dB)",
    "value",
    "unit",
    "hint",
)


def sheet_rows(sections: tuple[Section, ...]) -> list[dict[str, str]]:
    """The sheet as one row per thing to type, keys as in COLUMNS."""
    rows = []
    for section in sections:
        for s in section.settings:
            rows.append(_row(section, setting=s.name, value=s.value, unit=s.unit, hint=s.hint))
        for f in section.filters:
            rows.append(_row(section, **{
                "setting": "filter", "filter number": str(f.number), "filter type": f.type,
                "frequency (Hz)": f.frequency_hz, "Q": f.q,
                "bandwidth (octaves)": f.bandwidth_octaves, "slope": f.slope,
                "gain (dB)": f.gain_db,
            }))  # fmt: skip
    return rows


def _row(section: Section, **cells: str) -> dict[str, str]:
    return {**dict.fromkeys(COLUMNS, ""), "place": section.title, **cells}
