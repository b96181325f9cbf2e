"""The aims of a tuning: targets, equal levels and equal pairs as a fit's problem."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.audibility import audibility
from roomtune.advisor.energy import EnergyModel
from roomtune.advisor.measured import Measured
from roomtune.advisor.objective import DB, Goal, Match, Problem, Rows
from roomtune.advisor.room_modes import Mode, strongest_modes
from roomtune.advisor.scores import (
    DEEPEST_DB,
    DEVIATION_BAND_HZ,
    LEVEL_BAND_HZ,
    MATCH_BAND_HZ,
    channel_pairs,
    main_channels,
    main_index,
    seat_weights,
)
from roomtune.advisor.target import target_db
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import Tuning
from roomtune.signal.bands import band_edges_hz, third_octave_centres_hz
from roomtune.system.model import System

Array = NDArray[np.float64]
TRANSITION_HZ = 250.0
NARROW_DIP_DB, DIP_OCTAVES = 3.0, 0.7
LOW_END_DB, LOW_END_LIFT_DB = 6.0, 4.0
MATCH_WEIGHT, MAIN_WEIGHT, THIRDS_WEIGHT = 1.5, 0.35, 3.0
LEFT_OVER_DB = 1.0


@dataclass(frozen=True, eq=False)
class Aims:
    """What the fits of one plan share: system, measurement, energy model.

    thirds_weight: how much the seat average in third octaves counts against finer detail.
    """

    system: System
    measured: Measured
    model: EnergyModel
    thirds_weight: float = THIRDS_WEIGHT

    @property
    def mains(self) -> tuple[int, ...]:
        """Places of the main channels that have outputs."""
        wanted = set(main_channels(self.system))
        return tuple(
            place
            for place, name in enumerate(self.model.channels)
            if name in wanted and len(self.model.members[place])
        )

    @cached_property
    def modes(self) -> tuple[Mode, ...]:
        """The room's strongest modes, from all seats and the outputs that reach deepest."""
        lowest = self.measured.bands_hz[:, 0]
        deep = np.flatnonzero(lowest <= min(2 * lowest.min(), 80.0))
        return strongest_modes(self.measured.responses[deep]) if len(deep) else ()

    @property
    def main_seat(self) -> int:
        """Place of the main seat."""
        return main_index(self.system, self.model.seats)

    @property
    def average(self) -> Array:
        """Weights of the seat average, (1, seats)."""
        return seat_weights(self.system, self.model.seats)[None]

    @property
    def main_only(self) -> Array:
        """Weights that look at the main seat alone, (1, seats)."""
        return np.eye(len(self.model.seats))[self.main_seat][None]


def band_matrix(model: EnergyModel, edges_hz: Array) -> Array:
    """Weights (r, k) of the narrow bands in each wide band: means over log frequency."""
    low = np.maximum(np.log(model.edges_hz[:, 0]), np.log(edges_hz[:, :1]))
    high = np.minimum(np.log(model.edges_hz[:, 1]), np.log(edges_hz[:, 1:]))
    weights = np.maximum(high - low, 0)
    total = weights.sum(axis=1, keepdims=True)
    return weights / np.where(total > 0, total, 1)


def third_rows(model: EnergyModel, band_hz: tuple[float, float]) -> tuple[Array, Array]:
    """Centres (r,) and band matrix (r, k) of the third-octaves in a band."""
    centres = third_octave_centres_hz(*band_hz)
    return centres, band_matrix(model, band_edges_hz(centres))


def smooth_rows(model: EnergyModel, low_hz: float, high_hz: float) -> tuple[Array, Array, Array]:
    """Centres, band matrix and widths in octaves: pairs of narrow bands, between limits."""
    first, last = np.searchsorted(model.centres_hz, [low_hz * 0.985, high_hz * 1.015])
    pairs = np.arange(first, last - 1, 2)
    edges = np.stack([model.edges_hz[pairs, 0], model.edges_hz[pairs + 1, 1]], axis=-1)
    widths = np.log2(edges[:, 1] / edges[:, 0])
    return np.sqrt(edges.prod(axis=1)), band_matrix(model, edges), widths


def levels_db(
    aims: Aims, channel: int, gains: NDArray[np.complex128], seats: Array, bands: Array
) -> Array:
    """Levels (g, r) of a channel for responses `gains` (outputs of the channel, k)."""
    power, _ = aims.model.power(channel, gains)
    return np.asarray(10 * np.log10(seats @ power @ bands.T))


def base_gains(
    aims: Aims, tuning: Tuning, whole_samples: bool = False
) -> tuple[NDArray[np.complex128], ...]:
    """Electrical responses of every channel to its outputs, at the narrow bands.

    `whole_samples`: with delays as the processor holds them, else continuous.
    """
    whole = tuning_response(tuning, aims.model.centres_hz, whole_samples=whole_samples)
    order = [o.name for o in tuning.outputs]
    return tuple(
        whole[place][[order.index(aims.model.outputs[m]) for m in members]]
        for place, members in enumerate(aims.model.members)
    )


def problem_for(
    aims: Aims,
    tuning: Tuning,
    channels: Sequence[int] | None = None,
    low_hz: float | None = None,
    high_hz: float = DEVIATION_BAND_HZ[1],
) -> Problem:
    """The whole problem for some channels (all main ones): targets, levels, pairs."""
    chosen = tuple(aims.mains if channels is None else channels)
    base = base_gains(aims, tuning)
    lowest = lowest_hz(aims) if low_hz is None else low_hz
    goals = [_target_goal(aims, c, base[c], lowest, high_hz) for c in chosen]
    goals += [_main_goal(aims, c, base[c], high_hz) for c in chosen]
    return Problem(
        model=aims.model,
        base=base,
        rate_hz=tuning.sample_rate_hz,
        goals=tuple(goals),
        matches=tuple(_matches(aims, chosen, base)),
        boost_limit_db=aims.system.wishes.maximum_boost_db,
    )


def lowest_hz(aims: Aims) -> float:
    """From where on the bass is held to the target: 25 Hz, or where the deepest output begins.

    Never above the lowest frequency that is judged (40 Hz).
    """
    deepest = float(aims.measured.bands_hz[:, 0].min())
    return min(max(25.0, 1.25 * deepest), DEVIATION_BAND_HZ[0])


def _target_goal(
    aims: Aims, channel: int, gains: NDArray[np.complex128], low_hz: float, high_hz: float
) -> Goal:
    """Seat average against the target, finely and in thirds.

    What is hardly heard, in a narrow dip or noisy counts less.
    """
    centres, bands, widths = smooth_rows(aims.model, low_hz, high_hz)
    level = levels_db(aims, channel, gains, aims.average, bands)[0]
    target = target_db(aims.system, centres)
    bent = fitted_to_low_end(centres, level, target) - target
    dips = narrow_dips(centres, level)
    weight = np.sqrt(audibility(centres) * widths / widths.sum())
    weight = weight * np.where(centres < DEVIATION_BAND_HZ[0] / 1.06, 0.5, 1.0)
    weight = weight * np.where(dips, 0.5, 1.0)
    thirds, wide = third_rows(aims.model, (max(low_hz, DEVIATION_BAND_HZ[0]), high_hz))
    inside = np.abs(np.log2(centres / thirds[:, None])) < 1 / 6
    part = (inside @ dips) / np.maximum(inside.sum(axis=1), 1)
    coarse = aims.thirds_weight * np.sqrt(audibility(thirds) / len(thirds)) * (1 - part / 2)
    lower = np.interp(np.log(thirds), np.log(centres), bent)
    rows = np.concatenate([bands, wide])
    wanted = np.concatenate([target + bent, target_db(aims.system, thirds) + lower])
    return _goal(aims, channel, gains, aims.average, rows, wanted, np.append(weight, coarse))


def _goal(
    aims: Aims,
    channel: int,
    gains: NDArray[np.complex128],
    seats: Array,
    bands: Array,
    wanted_db: Array,
    weight: Array,
) -> Goal:
    """A goal for one row of seats, weighted by trust too."""
    trust = row_trust(aims, channel, gains, seats, bands)[0]
    return Goal(channel, Rows(seats, bands), wanted_db[None], (weight * trust)[None])


def fitted_to_low_end(centres_hz: Array, level_db: Array, wanted_db: Array) -> Array:
    """The target bent down to where the loudspeaker's own low end gives out.

    Below the first row where the octave about it comes within 6 dB of the
    target (level as from 200 Hz to 2 kHz), no more is wanted than 4 dB above
    what is there.
    """
    middle = (centres_hz > 200) & (centres_hz < 2000)
    excess = level_db - wanted_db
    excess = excess - (excess[middle].mean() if middle.any() else excess.max())
    place = np.log2(centres_hz)
    reach = np.minimum(0.5, np.minimum(place - place[0], place[-1] - place)) + 1e-9
    near = np.abs(place[:, None] - place[None]) <= reach[:, None]
    power = 10 ** (np.maximum(excess, -DEEPEST_DB) / 10)
    smooth = np.array([10 * np.log10(power[row].mean()) for row in near])
    reached = np.flatnonzero(smooth > -LOW_END_DB)
    first = int(reached[0]) if len(reached) else len(centres_hz)
    bent = wanted_db.copy()
    bent[:first] += np.minimum(smooth[:first] + LOW_END_LIFT_DB, 0.0)
    return bent


def _main_goal(aims: Aims, channel: int, gains: NDArray[np.complex128], high_hz: float) -> Goal:
    centres, bands = third_rows(aims.model, (100.0, min(high_hz, 10e3)))
    weight = MAIN_WEIGHT * np.sqrt(audibility(centres) / len(centres))
    wanted = target_db(aims.system, centres)
    return _goal(aims, channel, gains, aims.main_only, bands, wanted, weight)


def _matches(
    aims: Aims, chosen: Sequence[int], base: Sequence[NDArray[np.complex128]]
) -> list[Match]:
    names = aims.model.channels
    centres, bands = third_rows(aims.model, MATCH_BAND_HZ)
    weight = np.full((1, len(centres)), MATCH_WEIGHT / np.sqrt(len(centres)))
    inside = (centres > LEVEL_BAND_HZ[0] / 1.1) & (centres < LEVEL_BAND_HZ[1] * 1.1)
    level = (inside / inside.sum())[None]
    rows = Rows(aims.main_only, bands)
    found = []
    for left, right in channel_pairs(aims.system):
        pair = names.index(left), names.index(right)
        if set(pair) <= set(chosen):
            trust = [row_trust(aims, c, base[c], aims.main_only, bands) for c in pair]
            found.append(Match(*pair, rows, weight * np.minimum(*trust), level))
    return found


def row_trust(
    aims: Aims, channel: int, gains: NDArray[np.complex128], seats: Array, bands: Array
) -> Array:
    """How far each row may be acted on, (g, r), 0 to 1.

    By the standard error of its level against what the fit leaves over anyway,
    and nothing where the noise is 3 dB stronger than the sound (all from 3 dB under it).
    """
    power, _ = aims.model.power(channel, gains)
    members = aims.model.members[channel]
    noise = np.einsum("ok,osk->sk", np.abs(gains) ** 2, aims.model.noise[members])
    noise = noise + 1e-12 * power.max()
    whole, beside = (np.maximum(seats @ each @ bands.T, 1e-30) for each in (power, noise))
    gate = np.clip(0.5 + 10 * np.log10(whole / beside) / 6, 0, 1)
    error_db = DB * np.sqrt(mean_power_variance(aims, power, noise, seats, bands)) / whole
    return np.asarray(gate / np.sqrt(1 + (error_db / LEFT_OVER_DB) ** 2))


def mean_power_variance(
    aims: Aims, power: Array, noise: Array, seats: Array, bands: Array
) -> Array:
    """Variance (g, r) of the rows' mean powers by noise in `power` (seats, k).

    |H + N|^2 less its expected noise n has the variance 2 |H|^2 n + n^2 for complex
    Gaussian N; a response of T seconds has T independent values per hertz.
    """
    width = aims.model.edges_hz[:, 1] - aims.model.edges_hz[:, 0]
    each = (2 * power * noise + noise**2) / (width * aims.measured.responses.duration_s)
    return np.asarray(seats**2 @ each @ (bands**2).T)


def narrow_dips(
    centres_hz: Array, level_db: Array, octaves: float = DIP_OCTAVES
) -> NDArray[np.bool_]:
    """Rows more than 3 dB below the median of their surroundings: cancellations, as a rule."""
    distance = np.abs(np.log2(centres_hz[:, None] / centres_hz[None]))
    around = np.array([np.median(level_db[near]) for near in distance < octaves / 2])
    return level_db < around - NARROW_DIP_DB
