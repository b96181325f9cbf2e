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
from numpy.typing import NDArray

from roomtune.advisor.aims import Aims, base_gains
from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.equaliser import Ground, Rules, grown
from roomtune.advisor.layout import bass_outputs
from roomtune.advisor.least_squares import minimise
from roomtune.advisor.objective import OVER_WEIGHT, Problem, Rows, Spread, cost_of, residuals
from roomtune.advisor.settings import moved, with_outputs
from roomtune.advisor.state import Free, Section, State, neutral
from roomtune.processor.tuning import Tuning

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
LOWEST_HZ = 20.0
REACH_MS, GAIN_REACH_DB = 16.0, 12.0
LOSS_WEIGHT, LOSS_ALLOWED_DB = 0.2, 2.5
SECTION_BENEFIT = 0.06
SCREENED, REFINED = 480, 10


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


def bass_channel(aims: Aims, places: Sequence[int]) -> int | None:
    """A channel that plays through all subwoofers; the one with the fewest other outputs."""
    having = [
        c for c, members in enumerate(aims.model.members) if set(places) <= set(members.tolist())
    ]
    return min(having, key=lambda c: len(aims.model.members[c]), default=None)


@dataclass(frozen=True, eq=False)
class Bass:
    """The subwoofers by themselves: covariances (n, n, seats, k), base gains (n, k)."""

    covariance: Complex
    base: Complex
    model: EnergyModel
    weights: Array
    start_ms: Array
    rate_hz: float

    @property
    def count(self) -> int:
        """Number of subwoofers."""
        return len(self.base)

    @property
    def full_power(self) -> float:
        """Mean power of all at full gain and in phase at every seat."""
        own = np.sqrt(np.maximum(np.einsum("nnsk->nsk", self.covariance).real, 0))
        total = np.einsum("nk,nsk->sk", np.abs(self.base), own) ** 2
        return float(self.weights @ total.mean(axis=-1))

    @property
    def allowed_db(self) -> float:
        """Loss that is free of the steep cost: 2.5 dB, or what merely arriving together loses."""
        plain = self.measures(self.turned(self.start_ms[None], np.ones((1, self.count))))[1]
        return max(LOSS_ALLOWED_DB, float(plain[0]))

    def turned(self, delays_ms: Array, signs: Array) -> Complex:
        """Base gains with delays (c, n) and polarity signs (c, n): (c, n, k)."""
        turn = np.exp(-2e-3j * np.pi * delays_ms[..., None] * self.model.centres_hz)
        return signs[..., None] * turn * self.base

    def measures(self, gains: Complex) -> tuple[Array, Array]:
        """Spread and loss in dB of settings (c, n, k), each (c,)."""
        n = self.count
        power = np.zeros((len(gains), *self.covariance.shape[2:]))
        for i in range(n):
            for j in range(i + 1):
                both = gains[:, i] * np.conj(gains[:, j])
                part = (both[:, None] * self.covariance[i, j]).real
                power += part if i == j else 2 * part
        level = 10 * np.log10(np.maximum(power, 1e-30))
        mean = np.einsum("s,csk->ck", self.weights, level)
        square = np.einsum("s,csk->c", self.weights, (level - mean[:, None]) ** 2)
        kept = np.einsum("s,csk->c", self.weights, power) / power.shape[-1]
        loss = 10 * np.log10(self.full_power / kept)
        return np.sqrt(square / power.shape[-1]), loss

    def problem(self, gains: Complex) -> Problem:
        """The problem of spread and loss, starting from base gains (n, k)."""
        rows = Rows(np.eye(len(self.weights)), np.eye(len(self.model.centres_hz)))
        whole = Rows(self.weights[None], np.ones((1, len(self.model.centres_hz))))
        spread = Spread(
            0,
            rows,
            whole,
            self.weights,
            10 * np.log10(self.full_power),
            self.allowed_db,
            LOSS_WEIGHT,
        )
        return Problem(self.model, (gains,), self.rate_hz, (), spreads=(spread,))


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
        covariance, base, part, aims.average[0], np.asarray(start_ms, float), tuning.sample_rate_hz
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
    state, signs = best_setting(bass)
    if rules is not None:
        state = _with_sections(bass, state, signs, rules)
    return _described(bass, state, signs, places)


def best_setting(bass: Bass) -> tuple[State, Array]:
    """Gains and delays (as a state) and signs of the least cost.

    A fixed low-discrepancy sequence screens settings of all polarities; the
    best ones are refined by least squares on gains and delays.
    """
    gains, delays, signs = _screened(bass)
    found = []
    for place in range(min(REFINED, len(gains))):
        state, cost = _refined(bass, gains[place], delays[place], signs[place])
        found.append((cost, place, state))
    _, place, state = min(found, key=lambda item: item[:2])
    return state, signs[place]


def _screened(bass: Bass) -> tuple[Array, Array, Array]:
    """Gains, delays and signs (c, n), best first; the plain setting always stays first."""
    n = bass.count
    count = SCREENED * max(n - 1, 1)
    unit = _sequence(count, 3 * n - 2)
    delays = np.zeros((count + 1, n)) + bass.start_ms
    signs, gains = np.ones((count + 1, n)), np.zeros((count + 1, n))
    delays[1:, 1:] += (2 * unit[:, : n - 1] - 1) * 0.75 * REACH_MS
    signs[1:, 1:] = np.where(unit[:, n - 1 : 2 * n - 2] < 0.35, -1, 1)
    gains[1:] = -0.6 * GAIN_REACH_DB * unit[:, 2 * n - 2 :] ** 2
    costs, allowed_db = [], bass.allowed_db
    for part in np.array_split(np.arange(count + 1), max(count // 240, 1)):
        factor = 10 ** (gains[part] / 20)[..., None]
        measures = bass.measures(bass.turned(delays[part], signs[part]) * factor)
        costs.append(_costs(*measures, allowed_db))
    order = np.argsort(np.concatenate(costs), kind="stable")
    order = np.concatenate([[0], order[order != 0]])
    return gains[order], delays[order], signs[order]


def _costs(spread: Array, loss: Array, allowed_db: float) -> Array:
    """Half the squares that the least-squares fit sums too."""
    beyond = OVER_WEIGHT * np.maximum(loss - allowed_db, 0)
    return 0.5 * (spread**2 + (LOSS_WEIGHT * loss) ** 2 + beyond**2)


def _refined(bass: Bass, gains: Array, delays: Array, signs: Array) -> tuple[State, float]:
    n = bass.count
    problem = bass.problem(bass.turned(np.zeros((1, n)), signs[None])[0])
    each = tuple((place,) for place in range(n))
    free = Free(gains=each, delays=each)
    start = np.concatenate([gains, delays])
    lower = np.concatenate([np.full(n, -GAIN_REACH_DB), bass.start_ms - REACH_MS])
    upper = np.concatenate([np.zeros(n), bass.start_ms + REACH_MS])
    lower[n], upper[n] = delays[0] - 1e-9, delays[0] + 1e-9
    still = neutral(n)
    found = minimise(
        lambda x, slopes: residuals(problem, still, free, x, slopes), start, lower, upper, 30, 1e-5
    )
    return State(found.variables[:n], found.variables[n:]), found.cost


def _with_sections(bass: Bass, state: State, signs: Array, rules: Rules) -> State:
    """Sections of single subwoofers where they even out the seats."""
    n = bass.count
    problem = bass.problem(bass.turned(np.zeros((1, n)), signs[None])[0])
    top = float(bass.model.centres_hz[-1])
    grounds = [Ground((place,), (LOWEST_HZ, top)) for place in range(n)]
    found = grown(problem, state, grounds, replace(rules, benefit=SECTION_BENEFIT), (), 4 * n, 2)
    return found if cost_of(problem, found) < cost_of(problem, state) else state


def _described(bass: Bass, state: State, signs: Array, places: Sequence[int]) -> Arrangement:
    from roomtune.advisor.state import electrical

    n = bass.count
    plain, _ = bass.measures(bass.turned(bass.start_ms[None], np.ones((1, n))))
    response = electrical(state, Free(), bass.model.centres_hz, bass.rate_hz, False).response
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


def _sequence(count: int, width: int) -> Array:
    """Points of an additive recurrence in the unit cube (generalised golden ratio)."""
    ratio = 2.0
    for _ in range(40):
        ratio = (1 + ratio) ** (1 / (width + 1))
    steps = ratio ** -np.arange(1.0, width + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0)


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
