"""Several subwoofers over several seats.

The seat-to-seat spread is what no common equaliser can mend, so gains, delays,
polarities and single filters of the subwoofers are chosen to make it small
without working against each other (T. Welti and A. Devantier, "Low-Frequency
Optimization Using Multiple Subwoofers", JAES 54(5), 347-364, 2006).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roomtune.advisor.aims import Aims, base_gains
from roomtune.advisor.bass import Bass
from roomtune.advisor.bass_search import LOWEST_HZ, Setting, best_setting
from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.layout import bass_outputs
from roomtune.advisor.moving import electrical
from roomtune.advisor.palette import Rules
from roomtune.advisor.settings import moved, with_outputs
from roomtune.advisor.state import Section
from roomtune.processor.tuning import Tuning

RESERVE_MS = 1.5


@dataclass(frozen=True)
class Arrangement:
    """Settings of the subwoofers relative to what they were, and what they reach.

    `spread_db`: seat-to-seat standard deviation, rms over the bass; `alone_db`
    the same of the subwoofers merely arriving together. `loss_db`: level lost
    against all of them at full gain in phase at every seat.
    """

    gains_db: tuple[float, ...]
    delays_ms: tuple[float, ...]
    inverted: tuple[bool, ...]
    spread_db: float
    loss_db: float
    alone_db: float = 0.0
    sections: tuple[Section, ...] = ()


def subwoofer_places(aims: Aims) -> tuple[int, ...]:
    """Places of the bass outputs that belong to no channel of their own."""
    names = [
        o.name
        for o in bass_outputs(aims.system)
        if aims.system.loudspeaker(o.loudspeaker).channel is None
    ]
    return tuple(aims.model.outputs.index(name) for name in names)


def delay_room_ms(aims: Aims, tuning: Tuning) -> tuple[float, float]:
    """The earliest and the latest delay of a subwoofer that the processor has room for.

    Beside the loudspeakers as they are now, with a reserve for the polish; without
    bounds where these alone leave no room.
    """
    subs = {aims.model.outputs[place] for place in subwoofer_places(aims)}
    others = [o.delay_ms for o in tuning.outputs if o.name not in subs]
    knob = aims.system.processor.delay_ms
    room = knob.maximum - knob.minimum - RESERVE_MS
    if not others or max(others) - min(others) > room:
        return -np.inf, np.inf
    return max(others) - room, min(others) + room


def bass_channel(aims: Aims, places: Sequence[int]) -> int | None:
    """A channel that plays through all subwoofers; the one with the fewest other outputs."""
    having = [
        c for c, members in enumerate(aims.model.members) if set(places) <= set(members.tolist())
    ]
    return min(having, key=lambda c: len(aims.model.members[c]), default=None)


def bass_of(
    aims: Aims, tuning: Tuning, places: Sequence[int], start_ms: Sequence[float], top_hz: float
) -> Bass | None:
    """The subwoofers' part of the measurement, None when no channel plays them all."""
    channel = bass_channel(aims, places)
    if channel is None:
        return None
    model = aims.model
    members = model.members[channel].tolist()
    index = [members.index(place) for place in places]
    bands = np.flatnonzero((model.centres_hz >= LOWEST_HZ) & (model.centres_hz <= top_hz))
    covariance = model.covariances[channel][np.ix_(index, index)][..., bands]
    part = EnergyModel(
        ("bass",),
        tuple(model.outputs[place] for place in places),
        model.seats,
        model.centres_hz[bands],
        model.edges_hz[bands],
        (np.arange(len(places), dtype=np.intp),),
        (covariance,),
        model.noise[list(places)][..., bands],
    )
    base = base_gains(aims, tuning)[channel][index][:, bands]
    return Bass(
        covariance,
        base,
        part,
        aims.average[0],
        np.asarray(start_ms, float),
        tuning.sample_rate_hz,
        delay_room_ms(aims, tuning),
    )


def arrangement(
    aims: Aims,
    tuning: Tuning,
    start_ms: Sequence[float],
    top_hz: float,
    rules: Rules | None = None,
) -> Arrangement:
    """Search gains, delays, polarities and filters of the subwoofers for the least spread.

    `start_ms`: delays that make them arrive together, about which is searched.
    With `rules`, each subwoofer may get sections of its own.
    """
    places = subwoofer_places(aims)
    bass = bass_of(aims, tuning, places, start_ms, top_hz) if len(places) > 1 else None
    if bass is None:
        none = (0.0,) * len(places)
        return Arrangement(none, tuple(start_ms), (False,) * len(places), 0.0, 0.0)
    return _described(bass, best_setting(bass, rules), places)


def _described(bass: Bass, found: Setting, places: Sequence[int]) -> Arrangement:
    state, signs = found.state, found.signs
    n = bass.count
    plain, _ = bass.measures(bass.turned(bass.start_ms[None], np.ones((1, n))))
    response = electrical(state, bass.model.centres_hz, bass.rate_hz)
    gains = (bass.turned(np.zeros((1, n)), signs[None])[0] * response)[None]
    spread, loss = bass.measures(gains)
    sections = tuple(
        replace(s, outputs=tuple(places[output] for output in s.outputs)) for s in state.sections
    )
    return Arrangement(
        tuple(float(np.round(g, 6)) for g in state.gains_db - state.gains_db.max()),
        tuple(float(np.round(d, 6)) for d in state.delays_ms),
        tuple(bool(s < 0) for s in signs),
        float(spread[0]),
        float(loss[0]),
        float(plain[0]),
        sections,
    )


def arranged(aims: Aims, tuning: Tuning, found: Arrangement) -> Tuning:
    """The tuning with an arrangement's gains, delays and polarities on its subwoofers."""
    names = [aims.model.outputs[place] for place in subwoofer_places(aims)]
    changed = {
        name: replace(tuning.output(name), inverted=tuning.output(name).inverted != turned)
        for name, turned in zip(names, found.inverted, strict=True)
    }
    gains = dict(zip(names, found.gains_db, strict=True))
    delays = dict(zip(names, found.delays_ms, strict=True))
    return moved(with_outputs(tuning, changed), gains, delays)
