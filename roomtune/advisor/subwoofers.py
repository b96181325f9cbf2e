"""Subwoofers: arranged among themselves over all seats, then joined to the mains.

The seat-to-seat spread is what no common equaliser can mend, so gains, delays
and polarities of several subwoofers are chosen to make it small without
working against each other (T. Welti and A. Devantier, "Low-Frequency
Optimization Using Multiple Subwoofers", JAES 54(5), 347-364, 2006).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains, levels_db, third_rows
from roomtune.advisor.layout import bass_outputs
from roomtune.advisor.settings import moved, with_outputs
from roomtune.advisor.sounds import DirectSoundTable
from roomtune.advisor.target import target_db
from roomtune.processor.tuning import Tuning

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
LOWEST_HZ = 22.0
REACH_MS = 8.0
LOSS_WEIGHT, LOSS_ALLOWED_DB = 0.15, 3.0
DELAY_COST_DB, INVERSION_COST_DB = 0.01, 0.4


@dataclass(frozen=True)
class Arrangement:
    """Settings of the subwoofers relative to what they were, and what they reach."""

    gains_db: tuple[float, ...]
    delays_ms: tuple[float, ...]
    inverted: tuple[bool, ...]
    spread_db: float
    loss_db: float


@dataclass(frozen=True)
class Junction:
    """Common delay and polarity of the subwoofers against the main loudspeakers."""

    delay_ms: float
    inverted: bool
    loss_db: float


def subwoofer_places(aims: Aims) -> tuple[int, ...]:
    """Places of the bass outputs that belong to no channel of their own."""
    names = [
        o.name
        for o in bass_outputs(aims.system)
        if aims.system.loudspeaker(o.loudspeaker).channel is None
    ]
    return tuple(aims.model.outputs.index(name) for name in names)


def _bass_channel(aims: Aims, places: Sequence[int]) -> int | None:
    """A channel that plays through all subwoofers; the one with the fewest other outputs."""
    having = [
        c for c, members in enumerate(aims.model.members) if set(places) <= set(members.tolist())
    ]
    return min(having, key=lambda c: len(aims.model.members[c]), default=None)


def _part(aims: Aims, channel: int, places: Sequence[int], high_hz: float) -> tuple:
    """Covariances (n, n, seats, k) of some outputs of a channel in the bass, and the bands."""
    members = aims.model.members[channel].tolist()
    index = [members.index(place) for place in places]
    bands = np.flatnonzero(
        (aims.model.centres_hz >= LOWEST_HZ) & (aims.model.centres_hz <= high_hz)
    )
    covariance = aims.model.covariances[channel][np.ix_(index, index)][..., bands]
    return covariance, index, bands


def _spread_and_loss(
    covariance: Complex, gains: Complex, full: Complex, weights: Array
) -> tuple[Array, Array]:
    """Seat-to-seat standard deviation and lost level, dB, for settings (c, n, k).

    Lost against all subwoofers at `full` (n, k), in phase at every seat.
    """
    power = np.einsum("cnk,nmsk,cmk->csk", gains, covariance, np.conj(gains), optimize=True).real
    power = np.maximum(power, 1e-30)
    level = 10 * np.log10(power)
    mean = np.einsum("s,csk->ck", weights, level)
    spread = np.sqrt(np.einsum("s,csk->ck", weights, (level - mean[:, None]) ** 2).mean(axis=-1))
    own = np.sqrt(np.maximum(np.einsum("nnsk->nsk", covariance).real, 0))
    possible = np.einsum("nk,nsk->sk", np.abs(full), own)[None] ** 2
    loss = 10 * np.log10(possible.sum(axis=1).mean(axis=-1) / power.sum(axis=1).mean(axis=-1))
    return spread, loss


def arrangement(
    aims: Aims, tuning: Tuning, start_ms: Sequence[float], top_hz: float
) -> Arrangement:
    """Search gains, delays and polarities of the subwoofers for the least spread.

    `start_ms`: delays that make them arrive together, about which is searched.
    A fixed low-discrepancy sequence screens the settings; the best few are
    refined coordinate by coordinate.
    """
    places = subwoofer_places(aims)
    channel = _bass_channel(aims, places)
    if channel is None or len(places) < 2:
        count = len(places)
        return Arrangement((0.0,) * count, tuple(start_ms), (False,) * count, 0.0, 0.0)
    covariance, index, bands = _part(aims, channel, places, top_hz)
    base = base_gains(aims, tuning)[channel][index][:, bands]
    search = _Search(
        covariance,
        base,
        aims.model.centres_hz[bands],
        aims.average[0],
        np.asarray(start_ms, dtype=float),
    )
    best = search.refined(search.screened(480)[:12])
    gains, delays, inverted = search.settings(best)
    spread, loss = search.values(best[None])
    return Arrangement(gains, delays, inverted, float(spread[0]), float(loss[0]))


@dataclass(frozen=True, eq=False)
class _Search:
    """Vectors hold, per subwoofer after the first: delay, polarity sign; per subwoofer: gain."""

    covariance: Complex
    base: Complex
    frequencies_hz: Array
    weights: Array
    start_ms: Array

    @property
    def count(self) -> int:
        return len(self.base)

    def unpacked(self, vectors: Array) -> tuple[Array, Array, Array]:
        """Gains, delays and signs, each (c, n)."""
        n = self.count
        zero = np.zeros((len(vectors), 1))
        delays = np.concatenate([zero, vectors[:, : n - 1]], axis=1) + self.start_ms
        signs = np.concatenate([zero + 1, np.sign(vectors[:, n - 1 : 2 * n - 2])], axis=1)
        return vectors[:, 2 * n - 2 :], delays, np.where(signs == 0, 1, signs)

    def values(self, vectors: Array) -> tuple[Array, Array]:
        """Spread and loss of every vector."""
        gains_db, delays, signs = self.unpacked(vectors)
        factor = signs * 10 ** (gains_db / 20)
        turn = np.exp(-2e-3j * np.pi * delays[..., None] * self.frequencies_hz)
        gains = factor[..., None] * turn * self.base
        return _spread_and_loss(self.covariance, gains, self.base, self.weights)

    def costs(self, vectors: Array) -> Array:
        """Spread plus what lost level costs; delays cost a little so that ties stay simple."""
        spread, loss = self.values(vectors)
        off = np.abs(vectors[:, : self.count - 1]).sum(axis=1)
        beyond = np.maximum(loss - LOSS_ALLOWED_DB, 0)
        turned = (vectors[:, self.count - 1 : 2 * self.count - 2] < 0).sum(axis=1)
        simple = DELAY_COST_DB * off + 0.2 * INVERSION_COST_DB * turned
        return spread + LOSS_WEIGHT * loss + beyond + simple

    def screened(self, count: int) -> Array:
        """Vectors of a low-discrepancy sequence and the neutral ones, best first."""
        n = self.count
        width = 3 * n - 2
        unit = _sequence(count, width)
        vectors = np.empty_like(unit)
        vectors[:, : n - 1] = (2 * unit[:, : n - 1] - 1) * REACH_MS
        vectors[:, n - 1 : 2 * n - 2] = np.where(unit[:, n - 1 : 2 * n - 2] < 0.35, -1, 1)
        vectors[:, 2 * n - 2 :] = -6 * unit[:, 2 * n - 2 :]
        neutral = np.zeros((1, width))
        neutral[:, n - 1 : 2 * n - 2] = 1
        vectors = np.concatenate([neutral, vectors])
        return vectors[np.argsort(self.costs(vectors), kind="stable")]

    def refined(self, vectors: Array) -> Array:
        """The best vector after searching each coordinate in turn with shrinking steps."""
        n = self.count
        best = [self._descend(vector, n) for vector in vectors]
        costs = [float(self.costs(vector[None])[0]) for vector in best]
        return best[int(np.argmin(costs))]

    def _descend(self, vector: Array, n: int) -> Array:
        cost = float(self.costs(vector[None])[0])
        for delay_step, gain_step in ((2.0, 2.0), (1.0, 1.0), (0.5, 0.5), (0.2, 0.2), (0.1, 0.1)):
            for _ in range(6):
                trials = self._neighbours(vector, n, delay_step, gain_step)
                costs = self.costs(trials)
                if not costs.min() < cost - 1e-6:
                    break
                vector, cost = trials[int(np.argmin(costs))], float(costs.min())
        return vector

    def _neighbours(self, vector: Array, n: int, delay_step: float, gain_step: float) -> Array:
        moves = []
        for place in range(len(vector)):
            turned = n - 1 <= place < 2 * n - 2
            steps = (-2 * vector[place],) if turned else (delay_step, -delay_step)
            if place >= 2 * n - 2:
                steps = (gain_step, -gain_step)
            for step in steps:
                moved_vector = vector.copy()
                moved_vector[place] += step
                moves.append(moved_vector)
        trials = np.array(moves)
        trials[:, : n - 1] = np.clip(trials[:, : n - 1], -2 * REACH_MS, 2 * REACH_MS)
        trials[:, 2 * n - 2 :] = np.clip(trials[:, 2 * n - 2 :], -9, 0)
        return trials

    def settings(self, vector: Array) -> tuple[tuple, tuple, tuple]:
        """Gains, delays and inversions as plain numbers, the loudest at 0 dB."""
        gains, delays, signs = (values[0] for values in self.unpacked(vector[None]))
        gains = gains - gains.max()
        return (
            tuple(float(np.round(g, 6)) for g in gains),
            tuple(float(np.round(d, 6)) for d in delays),
            tuple(bool(s < 0) for s in signs),
        )


def _sequence(count: int, width: int) -> Array:
    """Points of an additive recurrence in the unit cube (generalised golden ratio)."""
    ratio = 2.0
    for _ in range(40):
        ratio = (1 + ratio) ** (1 / (width + 1))
    steps = ratio ** -np.arange(1.0, width + 1)
    return (0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0


def arranged(aims: Aims, tuning: Tuning, found: Arrangement) -> Tuning:
    """The tuning with an arrangement put on its subwoofers."""
    names = [aims.model.outputs[place] for place in subwoofer_places(aims)]
    changed = {
        name: replace(tuning.output(name), inverted=tuning.output(name).inverted != turned)
        for name, turned in zip(names, found.inverted, strict=True)
    }
    gains = dict(zip(names, found.gains_db, strict=True))
    delays = dict(zip(names, found.delays_ms, strict=True))
    return moved(with_outputs(tuning, changed), gains, delays)


def levelled(aims: Aims, tuning: Tuning, crossover_hz: float) -> Tuning:
    """Common gain of the subwoofers that puts the bass where the target wants it."""
    places = subwoofer_places(aims)
    channels = [c for c in aims.mains if set(places) & set(aims.model.members[c].tolist())]
    if not channels:
        return tuning
    gains = base_gains(aims, tuning)
    _, high = third_rows(aims.model, (200.0, 4000.0))
    low_band = third_rows(aims.model, (35.0, max(0.8 * crossover_hz, 45.0)))[1]
    wanted = target_db(aims.system, aims.model.centres_hz)
    changes = []
    for c in channels:
        bass = levels_db(aims, c, gains[c], aims.average, low_band)[0] - low_band @ wanted
        rest = levels_db(aims, c, gains[c], aims.average, high)[0] - high @ wanted
        changes.append(float(np.median(rest) - np.mean(bass)))
    change = float(np.mean(changes))
    return moved(tuning, gains_db={aims.model.outputs[p]: change for p in places})


def junction(aims: Aims, tuning: Tuning, crossover_hz: float) -> Junction:
    """Common delay and polarity of the subwoofers that lose least against all mains.

    Judged over all main channels and seats, an octave to either side of the
    crossover, where both parts play; small delays are preferred.
    """
    places = subwoofer_places(aims)
    centres = aims.model.centres_hz
    bands = np.flatnonzero((centres > crossover_hz / 2) & (centres < crossover_hz * 2))
    delays = np.arange(-0.6, 0.6001, 0.005) * 1e3 / crossover_hz
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
    cost = lost / total + turned + 1.0 * (delays * crossover_hz / 1e3) ** 2
    row, column = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return Junction(float(delays[column]), bool(row), float(lost[row, column] / total))


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
        changed = {
            n: replace(tuning.output(n), inverted=not tuning.output(n).inverted) for n in names
        }
        tuning = with_outputs(tuning, changed)
    return moved(tuning, delays_ms=dict.fromkeys(names, found.delay_ms))


def together_ms(aims: Aims, table: DirectSoundTable, reference_ms: float) -> tuple[float, ...]:
    """Delays that make the subwoofers' direct sounds arrive at a given time, main seat."""
    times = table.times_ms[list(subwoofer_places(aims))]
    return tuple(float(t) for t in np.where(np.isfinite(times), reference_ms - times, 0.0))
