"""Woofers of the left and right loudspeakers that play everybody's bass.

Bass that both play alike seems to come from between them, where a centre
loudspeaker stands, if it arrives alike (common practice, no source): as loud,
and at the same time. How much louder two play than one is measured, not
assumed: coherent sources add 6 dB for two, unrelated ones 3 dB, woofers in a
room something between.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains
from roomtune.advisor.bands import own_power
from roomtune.advisor.layout import bass_outputs
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.sounds import DirectSoundTable
from roomtune.processor.rounding import rounded_to
from roomtune.processor.tuning import Tuning

LEVEL_LIMIT_DB, TIME_LIMIT_MS = 1.5, 1.0
LOWEST_HZ, HIGHEST_HZ = 35.0, 160.0
Array = NDArray[np.float64]


@dataclass(frozen=True)
class SharedBass:
    """How the shared woofers play together at the main seat.

    level_db: loudest minus quietest; time_ms: latest minus earliest (NaN where
    not known); sum_db: how much louder they play together than one of them on
    the average, weighted over the seats; sigma_db: one standard deviation of the
    level that the noise explains.
    """

    outputs: tuple[str, ...]
    level_db: float
    time_ms: float
    sum_db: float
    sigma_db: float = 0.0


def shared_places(aims: Aims) -> tuple[int, ...]:
    """Places of the bass outputs that also belong to a channel's own loudspeaker."""
    names = [
        o.name
        for o in bass_outputs(aims.system)
        if aims.system.loudspeaker(o.loudspeaker).channel is not None
    ]
    return tuple(aims.model.outputs.index(name) for name in names)


def shared_bass(
    aims: Aims, tuning: Tuning, table: DirectSoundTable, top_hz: float
) -> SharedBass | None:
    """Level, time and sum of the shared woofers; None when there are fewer than two.

    Through all that a channel passes that plays on all of them.
    """
    places = shared_places(aims)
    played = _played(aims, tuning, places, top_hz)
    if played is None:
        return None
    names = tuple(aims.model.outputs[place] for place in places)
    bands = _bass_bands(aims, top_hz)
    noise = aims.model.noise[list(places), aims.main_seat][:, bands].mean(axis=1)
    heard = [own_power(aims, place)[aims.main_seat, bands].mean() for place in places]
    times = [
        float(table.times_ms[place]) + tuning.output(name).delay_ms
        for place, name in zip(places, names, strict=True)
    ]
    each, together = played
    average = aims.average[0]
    return SharedBass(
        names,
        float(np.ptp(10 * np.log10(each[:, aims.main_seat]))),
        float(np.ptp(times)),
        float(10 * np.log10(average @ together / np.mean(each @ average))),
        float(20 / np.log(10) * np.sqrt(np.sum(noise / (2 * np.array(heard))))),
    )


def _bass_bands(aims: Aims, top_hz: float) -> NDArray[np.bool_]:
    return (aims.model.centres_hz >= LOWEST_HZ) & (aims.model.centres_hz <= top_hz)


def _played(
    aims: Aims, tuning: Tuning, places: tuple[int, ...], top_hz: float
) -> tuple[Array, Array] | None:
    """Mean bass power of each shared woofer (n, seats) and of all together (seats,).

    Playing one channel that goes to all of them; None when there are fewer than two, or none does.
    """
    common = [
        c for c, members in enumerate(aims.model.members) if set(places) <= set(members.tolist())
    ]
    if len(places) < 2 or not common:
        return None
    bands = _bass_bands(aims, top_hz)
    members = aims.model.members[common[0]].tolist()
    index = [members.index(place) for place in places]
    gains = base_gains(aims, tuning)[common[0]][index][:, bands]
    covariance = aims.model.covariances[common[0]][np.ix_(index, index)][..., bands]
    each = np.einsum("ik,iisk->isk", np.abs(gains) ** 2, covariance).real
    together = np.einsum("ik,ijsk,jk->sk", gains, covariance, np.conj(gains)).real
    return each.mean(axis=-1), together.mean(axis=-1)


def with_shared_gains(aims: Aims, tuning: Tuning, found: SharedBass | None) -> Tuning:
    """The tuning with redirected bass turned down by what the woofers measurably add up to."""
    processor = aims.system.processor
    if found is None or not processor.route_gains:
        return tuning
    return _rerouted(aims, tuning, dict.fromkeys(found.outputs, -found.sum_db), afresh=True)


def with_woofers_alike(aims: Aims, tuning: Tuning) -> Tuning:
    """The tuning with redirected bass and LFE equally loud from all shared woofers.

    At the main seat, up to where their low passes end or those of the routes to them.

    Equalisers leave some woofers louder than others, which the gains of their own
    channels make good, but not those of channels that only give bass away. So the
    gains of these routes do; all woofers together play as loud as before.
    """
    names = [aims.model.outputs[place] for place in shared_places(aims)]
    top_hz = _top_hz(tuning, names)
    before = _played(aims, tuning, shared_places(aims), top_hz)
    if before is None or not aims.system.processor.route_gains:
        return tuning
    average = aims.average[0]
    level = 10 * np.log10(before[0][:, aims.main_seat])
    even = dict(zip(names, map(float, level.mean() - level), strict=True))
    alike = _rerouted(aims, tuning, even)
    after = _played(aims, alike, shared_places(aims), top_hz)
    if after is None:
        return tuning
    lost = float(10 * np.log10((average @ before[1]) / (average @ after[1])))
    return _rerouted(aims, tuning, {name: gain + lost for name, gain in even.items()})


def _top_hz(tuning: Tuning, names: list[str]) -> float:
    """The lowest low pass of some woofers and of the routes to them, at most 160 Hz."""
    filters = [f for name in names for f in tuning.output(name).filters]
    filters += [f for r in tuning.routes if r.output in names for f in r.filters]
    tops = [f.frequency_hz for f in filters if f.type == "low pass" and f.frequency_hz]
    return min([HIGHEST_HZ, *tops])


def _rerouted(
    aims: Aims, tuning: Tuning, gains_db: dict[str, float], afresh: bool = False
) -> Tuning:
    """The tuning with others' routes to some woofers changed by so much, or set to it `afresh`."""
    own = {
        (s.channel, o.name)
        for s in aims.system.loudspeakers
        for o in aims.system.outputs_of(s.name)
    }
    knob = aims.system.processor.gain_db
    routes = tuple(
        replace(r, gain_db=rounded_to(gains_db[r.output] + r.gain_db * (not afresh), knob))
        if r.output in gains_db and (r.channel, r.output) not in own
        else r
        for r in tuning.routes
    )
    return replace(tuning, routes=routes)


def shared_proposals(found: SharedBass | None, tuning: Tuning) -> list[Proposal]:
    """What the shared woofers do together, and whether the centre's bass stays in the centre."""
    if found is None:
        return []
    central = found.level_db <= LEVEL_LIMIT_DB and not found.time_ms > TIME_LIMIT_MS
    time = f"{found.time_ms:.2f} ms" if np.isfinite(found.time_ms) else "an unknown time"
    ideal = 20 * np.log10(len(found.outputs))
    gains = {r.output: r.gain_db for r in tuning.routes if r.gain_db}
    each = {name: f"{gains.get(name, 0.0):.1f} dB" for name in found.outputs}
    alike = len(set(each.values())) == 1
    shared = ", ".join(f"{gain} into {name}" for name, gain in each.items())
    shared = f"{each[found.outputs[0]]} into each" if alike else shared
    return [
        Proposal(
            step="shared woofers",
            subject=", ".join(found.outputs),
            change=f"redirected bass and LFE at {shared}",
            evidence=f"together they play {found.sum_db:.1f} dB louder than one alone over the "
            f"seats (in phase it would be {ideal:.1f}, unrelated {ideal / 2:.1f} dB); at the main "
            f"seat they differ by {found.level_db:.1f} dB and {time}",
            effect="redirected centre bass comes from between them"
            if central
            else "redirected centre bass will seem to come from the louder or earlier one",
            effect_db=round(found.level_db, 2),
            uncertainty_db=max(round(found.sigma_db, 2), 0.01),
        )
    ]
