"""The finished tuning without one of its steps, to tell what that step is worth.

Which step a proposal stands for follows from its name and subject; what follows
from the tuning alone (limits, number format) has told its effect already.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from roomtune.advisor.aims import Aims
from roomtune.advisor.alignment import own_outputs
from roomtune.advisor.channel_filters import with_filters
from roomtune.advisor.effects import (
    LEAST_DB,
    Levels,
    Measure,
    effect_of,
    levels_of,
    off_target,
    out_of_level,
    seats_apart,
)
from roomtune.advisor.fir_filters import without_fir
from roomtune.advisor.layout import ordered_outputs
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.settings import (
    CROSSOVER_TYPES,
    moved,
    turned_over,
    with_channel_gains,
    with_crossover,
    with_outputs,
)
from roomtune.advisor.subwoofers import Junction
from roomtune.processor.tuning import Filter, Tuning

MODE_REACH, CUT_REACH = 2**0.5, 1.03


@dataclass(frozen=True, eq=False)
class Case:
    """A finished tuning, the textbook one, and how the subwoofers were joined."""

    aims: Aims
    tuning: Tuning
    start: Tuning
    bass_hz: float
    meeting: Junction

    def channels_on(self, outputs: tuple[str, ...]) -> tuple[str, ...]:
        """Main channels that play through any of these outputs."""
        names = [self.aims.model.channels[c] for c in self.aims.mains]
        on = {r.channel for r in self.tuning.routes if r.output in outputs}
        return tuple(name for name in names if name in on)


Trial = tuple[Tuning, Measure, str]


def with_effects(case: Case, proposals: list[Proposal]) -> list[Proposal]:
    """The proposals with what each of them is worth, where its absence can be predicted."""
    finished, seen = levels_of(case.aims, case.tuning), Counter[tuple[str, str]]()
    told = []
    for proposal in proposals:
        key = (proposal.step, proposal.subject)
        trial = _trial(case, proposal, seen[key])
        seen[key] += 1
        if proposal.step == "what it costs":
            told.append(_at_a_seat(case, proposal, finished))
        else:
            told.append(_told(case, proposal, trial, finished) if trial else proposal)
    return told


def _at_a_seat(case: Case, proposal: Proposal, finished: Levels) -> Proposal:
    """The proposal with the uncertainty of the levels at the seat that it is about."""
    seat = case.aims.model.seats.index(proposal.subject)
    sigma = float(np.median(finished.sigma_db[:, seat]))
    return replace(proposal, uncertainty_db=max(round(sigma, 2), LEAST_DB))


def _told(case: Case, proposal: Proposal, trial: Trial, finished: Levels) -> Proposal:
    without, measure, quantity = trial
    found = effect_of(levels_of(case.aims, without), finished, measure)
    added = f"without it {quantity} changes by {found.value_db:+.2f} dB"
    effect = f"{proposal.effect}; {added}" if proposal.effect else added
    return replace(
        proposal, effect=effect, effect_db=found.value_db, uncertainty_db=found.uncertainty_db
    )


def _trial(case: Case, proposal: Proposal, number: int) -> Trial | None:
    """The tuning without a proposal, what to judge, and how to say it; None without one."""
    makers: dict[str, Callable[[], Trial | None]] = {
        "polarity": lambda: _other_polarity(case, proposal),
        "crossover": lambda: _textbook_crossover(case, proposal, number),
        "bass routing": lambda: _own_bass(case, proposal),
        "subwoofers": lambda: _subwoofers_alike(case, proposal),
        "bass crossover": lambda: _not_joined(case, proposal),
        "alignment": lambda: _untrimmed(case, proposal),
        "equaliser": lambda: _unequalised(case, proposal),
        "channel equaliser": lambda: _channels_bare(case, proposal),
        "FIR": lambda: _taps_idle(case, proposal),
        "room modes": lambda: _modes_left(case, proposal),
    }
    maker = makers.get(proposal.step)
    return maker() if maker else None


def _names(proposal: Proposal) -> tuple[str, ...]:
    return tuple(proposal.subject.split(", "))


def _keeping(tuning: Tuning, names: Sequence[str], kept: Callable[[Filter], bool]) -> Tuning:
    """The tuning with only those filters of some outputs that are to be kept."""
    outputs = (tuning.output(name) for name in names)
    changed = {o.name: replace(o, filters=tuple(filter(kept, o.filters))) for o in outputs}
    return with_outputs(tuning, changed)


def _off(case: Case, names: tuple[str, ...], *band_hz: float) -> tuple[Measure, str]:
    where = f" ({band_hz[0]:.0f} to {band_hz[1]:.0f} Hz)" if band_hz else ""
    return off_target(names, *band_hz), f"the distance of {', '.join(names)} from the target{where}"


def _other_polarity(case: Case, proposal: Proposal) -> Trial | None:
    names = _names(proposal)
    if proposal.refused:
        return None
    return turned_over(case.tuning, names), *_off(case, case.channels_on(names))


def _textbook_crossover(case: Case, proposal: Proposal, number: int) -> Trial | None:
    """The slopes of the textbook tuning between two neighbours, and no delay between them."""
    tuning, channels, edges = case.tuning, [], []
    for name in _names(proposal):
        row = ordered_outputs(case.aims.system, name)
        low, high = row[number].name, row[number + 1].name
        for output, kind in ((low, "low pass"), (high, "high pass")):
            for item in case.start.output(output).filters:
                if item.type == kind:
                    tuning = with_crossover(tuning, output, item)
            edges += [f.frequency_hz for f in case.tuning.output(output).filters if f.type == kind]
        above = [output.name for output in row[number + 1 :]]
        later = tuning.output(high).delay_ms - tuning.output(low).delay_ms
        tuning = moved(tuning, delays_ms=dict.fromkeys(above, -later))
        channels += [case.aims.system.loudspeaker(name).channel or ""]
    about = [edge for edge in edges if edge]
    if not about:
        return None
    band = (min(about) / 2, max(about) * 2)
    return tuning, *_off(case, tuple(channels), *band)


def _own_bass(case: Case, proposal: Proposal) -> Trial | None:
    """No channel's bass goes to outputs that are not its own loudspeaker's."""
    system, names = case.aims.system, _names(proposal)
    if proposal.refused:
        return None

    def own(channel: str, output: str) -> bool:
        speaker = system.loudspeaker_of(channel)
        return speaker is not None and system.output(output).loudspeaker == speaker.name

    routes = tuple(
        r
        for r in case.tuning.routes
        if r.output not in names
        or own(r.channel, r.output)
        or system.channel(r.channel).kind != "main"
    )
    given = {r.channel for r in case.tuning.routes} - {
        r.channel for r in case.tuning.routes if r.output in names and own(r.channel, r.output)
    }
    channels = tuple(n for n in case.channels_on(names) if n in given)
    without = replace(case.tuning, routes=routes)
    return without, *_off(case, channels, 40.0, 2 * case.bass_hz)


def _subwoofers_alike(case: Case, proposal: Proposal) -> Trial:
    """All subwoofers with one gain, one delay and the polarity that their wiring asks for."""
    names = _names(proposal)
    without = _keeping(case.tuning, names, lambda item: item.type != "all pass")
    settings = [without.output(name) for name in names]
    gain = sum(s.gain_db for s in settings) / len(settings)
    delay = sum(s.delay_ms for s in settings) / len(settings)
    changed = {s.name: replace(s, gain_db=gain, delay_ms=delay) for s in settings}
    top = 1.25 * case.bass_hz
    return (
        with_outputs(without, changed),
        seats_apart(case.channels_on(names), top),
        f"the difference between the seats below {top:.0f} Hz",
    )


def _not_joined(case: Case, proposal: Proposal) -> Trial:
    """The delay and polarity by which the subwoofers met the rest taken back."""
    names = _names(proposal)
    tuning = moved(case.tuning, delays_ms=dict.fromkeys(names, -case.meeting.delay_ms))
    if case.meeting.inverted:
        tuning = turned_over(tuning, names)
    band = (case.bass_hz / 2, case.bass_hz * 2)
    return tuning, *_off(case, case.channels_on(names), *band)


def _untrimmed(case: Case, proposal: Proposal) -> Trial | None:
    """A channel without the gains that all its loudspeaker's drivers share."""
    speaker = case.aims.system.loudspeaker_of(proposal.subject)
    if speaker is None:
        return None
    outputs = [output.name for output in ordered_outputs(case.aims.system, speaker.name)]
    shared = case.tuning.output(outputs[0]).gain_db
    change = case.tuning.channel(proposal.subject).gain_db
    change -= case.start.channel(proposal.subject).gain_db
    tuning = with_channel_gains(case.tuning, {proposal.subject: -change})
    tuning = moved(tuning, gains_db=dict.fromkeys(outputs, -shared))
    name = proposal.subject
    return tuning, out_of_level(name), f"the distance of {name}'s level from the others'"


def _unequalised(case: Case, proposal: Proposal) -> Trial:
    names = _names(proposal)
    without = _keeping(case.tuning, names, lambda item: item.type in CROSSOVER_TYPES)
    return without, *_off(case, case.channels_on(names))


def _channels_bare(case: Case, proposal: Proposal) -> Trial:
    names = _names(proposal)
    return with_filters(case.tuning, names, ()), *_off(case, names)


def _taps_idle(case: Case, proposal: Proposal) -> Trial:
    channels = _names(proposal)
    outputs = [name for c in channels for name in own_outputs(case.aims.system, c)]
    lead = int(float(proposal.figures["lead_taps"][0]))
    return without_fir(case.tuning, outputs, lead), *_off(case, channels)


def _modes_left(case: Case, proposal: Proposal) -> Trial:
    """The cuts for modes taken out again, judged about the modes."""
    names, cuts = _names(proposal), [float(hz) for hz in proposal.figures["frequency_hz"]]

    def for_mode(item: Filter) -> bool:
        hz, gain = item.frequency_hz or 0.0, item.gain_db or 0.0
        near = any(cut / CUT_REACH < hz < cut * CUT_REACH for cut in cuts)
        return item.type == "peaking" and gain < 0 and near

    without = _keeping(case.tuning, names, lambda item: not for_mode(item))
    band = (min(cuts) / MODE_REACH, max(cuts) * MODE_REACH)
    return without, *_off(case, case.channels_on(names), *band)
