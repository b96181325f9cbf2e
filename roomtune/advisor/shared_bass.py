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
LOWEST_HZ = 35.0
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
    common = [
        c for c, members in enumerate(aims.model.members) if set(places) <= set(members.tolist())
    ]
    if len(places) < 2 or not common:
        return None
    names = tuple(aims.model.outputs[place] for place in places)
    bands = (aims.model.centres_hz >= LOWEST_HZ) & (aims.model.centres_hz <= top_hz)
    members = aims.model.members[common[0]].tolist()
    index = [members.index(place) for place in places]
    gains = base_gains(aims, tuning)[common[0]][index][:, bands]
    powers = [
        np.abs(gain) ** 2 * own_power(aims, place)[:, bands]
        for gain, place in zip(gains, places, strict=True)
    ]
    noise = aims.model.noise[list(places), aims.main_seat][:, bands].mean(axis=1)
    heard = [own_power(aims, place)[aims.main_seat, bands].mean() for place in places]
    main = [10 * np.log10(float(power[aims.main_seat].mean())) for power in powers]
    times = [
        float(table.times_ms[place]) + tuning.output(name).delay_ms
        for place, name in zip(places, names, strict=True)
    ]
    covariance = aims.model.covariances[common[0]][np.ix_(index, index)][..., bands]
    sum_power = np.einsum("ik,ijsk,jk->sk", gains, covariance, np.conj(gains)).real
    together = float(aims.average[0] @ sum_power.mean(axis=1))
    each = np.mean([float(aims.average[0] @ power.mean(axis=1)) for power in powers])
    return SharedBass(
        names,
        float(np.ptp(main)),
        float(np.ptp(times)),
        float(10 * np.log10(together / each)),
        float(20 / np.log(10) * np.sqrt(np.sum(noise / (2 * np.array(heard))))),
    )


def with_shared_gains(aims: Aims, tuning: Tuning, found: SharedBass | None) -> Tuning:
    """The tuning with redirected bass turned down by what the woofers measurably add up to."""
    processor = aims.system.processor
    if found is None or not processor.route_gains:
        return tuning
    own = {
        (s.channel, o.name)
        for s in aims.system.loudspeakers
        for o in aims.system.outputs_of(s.name)
    }
    gain = rounded_to(-found.sum_db, processor.gain_db)
    routes = tuple(
        replace(r, gain_db=gain)
        if r.output in found.outputs and (r.channel, r.output) not in own
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
    gains = {r.gain_db for r in tuning.routes if r.output in found.outputs and r.gain_db}
    shared = " and ".join(f"{gain:.1f}" for gain in sorted(gains)) or "0.0"
    return [
        Proposal(
            step="shared woofers",
            subject=", ".join(found.outputs),
            change=f"redirected bass and LFE at {shared} dB into each",
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
