"""Subwoofers joined to the main loudspeakers: level, common delay and polarity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains, levels_db, third_rows
from roomtune.advisor.arrangement import delay_room_ms, subwoofer_places
from roomtune.advisor.settings import moved, turned_over
from roomtune.advisor.sounds import DirectSoundTable
from roomtune.advisor.target import target_db
from roomtune.processor.tuning import Tuning

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
INVERSION_COST_DB, DELAY_COST_DB = 0.2, 3.0


@dataclass(frozen=True)
class Junction:
    """Common delay and polarity of the subwoofers against the main loudspeakers."""

    delay_ms: float
    inverted: bool
    loss_db: float


def bass_gain_db(aims: Aims, tuning: Tuning, crossover_hz: float) -> float:
    """Common change of the subwoofers' gains that puts the bass where the target wants it."""
    places = subwoofer_places(aims)
    channels = [c for c in aims.mains if set(places) & set(aims.model.members[c].tolist())]
    if not channels:
        return 0.0
    gains = base_gains(aims, tuning)
    _, high = third_rows(aims.model, (200.0, 4000.0))
    low_band = third_rows(aims.model, (35.0, max(0.8 * crossover_hz, 45.0)))[1]
    wanted = target_db(aims.system, aims.model.centres_hz)
    changes = []
    for c in channels:
        bass = levels_db(aims, c, gains[c], aims.average, low_band)[0] - low_band @ wanted
        rest = levels_db(aims, c, gains[c], aims.average, high)[0] - high @ wanted
        changes.append(float(np.median(rest) - np.mean(bass)))
    return float(np.mean(changes))


def junction(aims: Aims, tuning: Tuning, crossover_hz: float) -> Junction:
    """Common delay and polarity of the subwoofers that lose least against all mains.

    Judged over all main channels and seats, an octave to either side of the
    crossover, where both parts play; small delays are preferred.
    """
    places = subwoofer_places(aims)
    centres = aims.model.centres_hz
    bands = np.flatnonzero((centres > crossover_hz / 2) & (centres < crossover_hz * 2))
    delays = _possible(aims, tuning, np.arange(-0.6, 0.6001, 0.005) * 1e3 / crossover_hz)
    turns = np.exp(-2e-3j * np.pi * delays[:, None] * centres[bands])
    gains = base_gains(aims, tuning)
    lost = np.zeros((2, len(delays)))
    total = 0.0
    for c in aims.mains:
        members = aims.model.members[c]
        sub = np.isin(members, places)
        if not sub.any() or sub.all():
            continue
        terms = _meeting(aims, c, gains[c], sub, bands)
        for row, sign in enumerate((1, -1)):
            lost[row] += _lost_db(*terms, turns * sign, aims.average[0])
        total += 1
    if not total:
        return Junction(0.0, False, 0.0)
    turned = np.array([[0.0], [INVERSION_COST_DB]])
    cost = lost / total + turned + DELAY_COST_DB * (delays * crossover_hz / 1e3) ** 2
    row, column = divmod(int(np.argmin(cost)), cost.shape[1])
    return Junction(float(delays[column]), bool(row), float(lost[row, column] / total))


def _possible(aims: Aims, tuning: Tuning, delays_ms: Array) -> Array:
    """Those common delays for which the processor has room; the nearest where it has for none."""
    now = [tuning.output(aims.model.outputs[place]).delay_ms for place in subwoofer_places(aims)]
    if not now:
        return delays_ms
    earliest, latest = delay_room_ms(aims, tuning)
    beyond = np.maximum(earliest - min(now) - delays_ms, max(now) + delays_ms - latest)
    return delays_ms[beyond <= max(float(beyond.min()), 0.0)]


def _meeting(
    aims: Aims, channel: int, gains: Complex, sub: NDArray[np.bool_], bands: NDArray[np.intp]
) -> tuple[Array, Array, Complex]:
    """Powers of the mains and of the subwoofers and their cross term, (seats, bands)."""
    covariance = aims.model.covariances[channel][..., bands]
    here = gains[:, bands]

    def between(left: NDArray[np.bool_], right: NDArray[np.bool_]) -> Complex:
        part = covariance[np.ix_(left, right)]
        product = np.einsum("ik,ijsk,jk->sk", here[left], part, np.conj(here[right]))
        return np.asarray(product)

    return between(~sub, ~sub).real, between(sub, sub).real, between(sub, ~sub)


def _lost_db(mains: Array, subs: Array, cross: Complex, turns: Complex, weights: Array) -> Array:
    """Level lost against adding in phase, dB, for every delay (rows of `turns`)."""
    both = 2 * np.sqrt(np.maximum(mains * subs, 1e-60))
    reached = mains + subs + 2 * np.real(turns[:, None, :] * cross)
    loss = 10 * np.log10((mains + subs + both) / np.maximum(reached, 1e-4 * (mains + subs)))
    share = weights[:, None] * both / (mains + subs)
    return np.sum(loss * share, axis=(1, 2)) / np.sum(share)


def joined(aims: Aims, tuning: Tuning, found: Junction) -> Tuning:
    """The tuning with a junction put on its subwoofers."""
    names = [aims.model.outputs[place] for place in subwoofer_places(aims)]
    if found.inverted:
        tuning = turned_over(tuning, names)
    return moved(tuning, delays_ms=dict.fromkeys(names, found.delay_ms))


def together_ms(aims: Aims, table: DirectSoundTable, reference_ms: float) -> tuple[float, ...]:
    """Delays that make the subwoofers' direct sounds arrive at a given time, main seat."""
    times = table.times_ms[list(subwoofer_places(aims))]
    return tuple(float(t) for t in np.where(np.isfinite(times), reference_ms - times, 0.0))
