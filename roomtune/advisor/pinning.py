"""Gains, delays and polarities of outputs that the user pins; everything else follows.

All outputs may shift together, so the first pinned value always holds; a pinned
driver takes the others of its loudspeaker along, so that it stays joined to
them. What two pins ask against each other stays as pinned.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from roomtune.advisor.layout import woofers_for_others
from roomtune.advisor.limits import excess_db
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.settings import with_outputs
from roomtune.processor.rounding import rounded, rounded_to
from roomtune.processor.tuning import Tuning
from roomtune.system.model import Range, System

MISSED = {"gain": 0.051, "delay": 0.006}


def has_pins(system: System) -> bool:
    """Whether any output's gain, delay or polarity is pinned."""
    wishes = system.wishes
    return bool(wishes.gains_db or wishes.delays_ms or wishes.polarities)


def with_pinned_polarities(system: System, tuning: Tuning) -> Tuning:
    """The tuning with pinned outputs the way round that is asked for."""
    changed = {
        name: replace(tuning.output(name), inverted=polarity == "inverted")
        for name, polarity in system.wishes.polarities.items()
    }
    return with_outputs(tuning, changed)


def pinned(system: System, tuning: Tuning) -> Tuning:
    """The tuning with all pins, all other outputs shifted along where they must be."""
    tuning = with_pinned_polarities(system, tuning)
    gains = {o.name: o.gain_db for o in tuning.outputs}
    delays = {o.name: o.delay_ms for o in tuning.outputs}
    gains = _following(system, gains, system.wishes.gains_db)
    delays = _following(system, delays, system.wishes.delays_ms)
    changed = {
        o.name: replace(
            o,
            gain_db=_within(gains[o.name], system.processor.gain_db),
            delay_ms=_within(delays[o.name], system.processor.delay_ms),
        )
        for o in tuning.outputs
    }
    return with_outputs(tuning, changed)


def _following(
    system: System, values: Mapping[str, float], wanted: Mapping[str, float]
) -> dict[str, float]:
    """The values shifted together onto the first pin, loudspeakers along with their own pins."""
    if not wanted:
        return dict(values)
    first = next(iter(wanted))
    common = wanted[first] - values[first]
    found = {name: value + common for name, value in values.items()}
    for loudspeaker in system.loudspeakers:
        names = [output.name for output in system.outputs_of(loudspeaker.name)]
        held = [name for name in names if name in wanted]
        if held:
            shift = wanted[held[0]] - found[held[0]]
            found |= {name: wanted.get(name, found[name] + shift) for name in names}
    return found


def _within(value: float, knob: Range) -> float:
    return float(np.clip(value, knob.minimum, knob.maximum))


def channels_within_headroom(system: System, tuning: Tuning) -> Tuning:
    """The headroom made by all channels' gains together, where outputs' gains are pinned.

    No channel is turned up beyond 0 dB, or its full scale would clip before the outputs.
    """
    knob = system.processor.gain_db
    step = knob.step or 0.1
    over = float(np.ceil(excess_db(system, tuning) / step - 1e-9) * step)
    room = min(knob.maximum, 0.0) - max(c.gain_db for c in tuning.channels)
    change = min(-over, room)
    channels = tuple(replace(c, gain_db=c.gain_db + change) for c in tuning.channels)
    return rounded(replace(tuning, channels=channels), system.processor)


def held_places(system: System, outputs: tuple[str, ...], what: str) -> frozenset[int]:
    """Places of the outputs whose "gains" or "delays" fits leave alone.

    Pinned ones, and the gains of woofers that play bass for others together: equally
    loud as they are, the other drivers of their loudspeakers are set to go with them.
    """
    wishes = system.wishes
    wanted = set(wishes.delays_ms)
    if what == "gains":
        wanted = {*wishes.gains_db, *(output.name for output in woofers_for_others(system))}
    return frozenset(place for place, name in enumerate(outputs) if name in wanted)


def pin_proposals(system: System, tuning: Tuning, natural: Mapping[str, bool]) -> list[Proposal]:
    """What is pinned, and what of it could not be had or speaks against the evidence.

    natural: which outputs would be inverted by their wiring alone.
    """
    wishes = system.wishes
    names = dict.fromkeys([*wishes.gains_db, *wishes.delays_ms, *wishes.polarities])
    told = [_proposal(system, tuning, name, natural) for name in names]
    if wishes.leave_alone:
        told.append(_wished(", ".join(wishes.leave_alone), "no equaliser", "left alone"))
    if wishes.forbid:
        told.append(_wished("whole system", f"without {', '.join(wishes.forbid)}", "forbidden"))
    return told


def _wished(subject: str, change: str, how: str) -> Proposal:
    evidence = f"{how} in [wishes]; the rest adapts"
    return Proposal(step="pinned", subject=subject, change=change, evidence=evidence, effect="")


def _proposal(system: System, tuning: Tuning, name: str, natural: Mapping[str, bool]) -> Proposal:
    wishes, setting = system.wishes, tuning.output(name)
    told, missed = [], []
    if name in wishes.gains_db:
        told.append(f"gain {setting.gain_db:+.1f} dB")
        wanted = rounded_to(wishes.gains_db[name], system.processor.gain_db)
        if abs(setting.gain_db - wanted) > MISSED["gain"]:
            missed.append(f"{wishes.gains_db[name]:+.1f} dB, beyond what the processor has")
    if name in wishes.delays_ms:
        told.append(f"delay {setting.delay_ms:.2f} ms")
        wanted = rounded_to(wishes.delays_ms[name], system.processor.delay_ms)
        if abs(setting.delay_ms - wanted) > MISSED["delay"]:
            missed.append(f"{wishes.delays_ms[name]:.2f} ms, beyond what the processor has")
    if name in wishes.polarities:
        told.append(f"polarity {wishes.polarities[name]}")
        if setting.inverted != natural[name]:
            missed.append("the polarity that its direct sound asks for, against the pin")
    short = [o.name for o in tuning.outputs if name in wishes.delays_ms and o.delay_ms <= 0]
    if short and short != [name]:
        missed.append(f"waiting less at {', '.join(short)}: no delay can be below 0")
    return Proposal(
        step="pinned",
        subject=name,
        change=", ".join(told),
        evidence="pinned in [wishes]; all other outputs are set to go with it",
        effect="",
        refused=tuple(missed),
    )
