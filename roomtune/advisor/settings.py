"""Small changes to a tuning: per output, per channel, by a fit's state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from roomtune.advisor.state import State
from roomtune.processor.tuning import Filter, OutputSetting, Tuning

CROSSOVER_TYPES = ("low pass", "high pass")


def with_outputs(tuning: Tuning, changed: Mapping[str, OutputSetting]) -> Tuning:
    """The tuning with some outputs' settings exchanged."""
    return replace(tuning, outputs=tuple(changed.get(o.name, o) for o in tuning.outputs))


def turned_over(tuning: Tuning, names: Sequence[str]) -> Tuning:
    """The tuning with the polarity of some outputs turned over."""
    outputs = (tuning.output(name) for name in names)
    return with_outputs(tuning, {o.name: replace(o, inverted=not o.inverted) for o in outputs})


def moved(
    tuning: Tuning,
    gains_db: Mapping[str, float] | None = None,
    delays_ms: Mapping[str, float] | None = None,
) -> Tuning:
    """The tuning with gains and delays of some outputs changed by the given amounts."""
    gains, delays = gains_db or {}, delays_ms or {}
    changed = {
        o.name: replace(
            o,
            gain_db=o.gain_db + gains.get(o.name, 0.0),
            delay_ms=o.delay_ms + delays.get(o.name, 0.0),
        )
        for o in tuning.outputs
    }
    return without_common_delay(with_outputs(tuning, changed))


def without_common_delay(tuning: Tuning) -> Tuning:
    """The same with the smallest output delay taken off all outputs."""
    least = min(o.delay_ms for o in tuning.outputs)
    outputs = tuple(replace(o, delay_ms=max(o.delay_ms - least, 0.0)) for o in tuning.outputs)
    return replace(tuning, outputs=outputs)


def with_crossover(tuning: Tuning, output: str, new: Filter) -> Tuning:
    """The tuning with the high pass or low pass of an output exchanged or added."""
    setting = tuning.output(output)
    kept = tuple(f for f in setting.filters if f.type != new.type)
    crossover = tuple(f for f in kept if f.type in CROSSOVER_TYPES)
    others = tuple(f for f in kept if f.type not in CROSSOVER_TYPES)
    order = sorted((*crossover, new), key=lambda f: f.type)
    return with_outputs(tuning, {output: replace(setting, filters=(*order, *others))})


def with_state(tuning: Tuning, state: State, outputs: Sequence[str]) -> Tuning:
    """The tuning with a fit's gains, delays and sections put on its outputs."""
    gains = dict(zip(outputs, map(float, state.gains_db), strict=True))
    delays = dict(zip(outputs, map(float, state.delays_ms), strict=True))
    changed = {}
    for place, name in enumerate(outputs):
        setting = tuning.output(name)
        added = sorted(
            (section.filter for section in state.on(place)), key=lambda f: f.frequency_hz or 0.0
        )
        changed[name] = replace(setting, filters=(*setting.filters, *added))
    return moved(with_outputs(tuning, changed), gains, delays)


def with_channel_gains(tuning: Tuning, changes_db: Mapping[str, float]) -> Tuning:
    """The tuning with the gains of some channels changed by the given amounts."""
    channels = tuple(
        replace(c, gain_db=c.gain_db + changes_db.get(c.name, 0.0)) for c in tuning.channels
    )
    return replace(tuning, channels=channels)


def on_whole_samples(tuning: Tuning) -> Tuning:
    """The tuning with output delays on the processor's samples, as it will hold them.

    Delays can then be shifted together without changing their differences.
    """
    per_ms = tuning.sample_rate_hz / 1000
    outputs = tuple(
        replace(o, delay_ms=round(o.delay_ms * per_ms) / per_ms) for o in tuning.outputs
    )
    return replace(tuning, outputs=outputs)
