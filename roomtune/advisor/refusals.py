"""What the equaliser leaves as it is, and what it does about modes, told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.aims import (
    DIP_OCTAVES,
    NARROW_DIP_DB,
    Aims,
    base_gains,
    levels_db,
    lowest_hz,
    narrow_dips,
    smooth_rows,
)
from roomtune.advisor.proposal import Proposal
from roomtune.advisor.state import State
from roomtune.processor.tuning import Tuning

Array = NDArray[np.float64]
HIGHEST_HZ, MOST = 1000.0, 3


@dataclass(frozen=True)
class Dip:
    """A narrow hole in a channel's seat average: where, how deep, at how many seats.

    scatter_db: standard error of the depth, from how much the seats differ.
    """

    frequency_hz: float
    depth_db: float
    seats: int
    scatter_db: float = 0.0


def refusal_proposals(aims: Aims, tuning: Tuning) -> list[Proposal]:
    """The dips that are not filled, channel by channel, deepest first."""
    found, count = [], len(aims.model.seats)
    for channel, dips in dips_of(aims, tuning).items():
        if dips:
            found.append(
                Proposal(
                    step="left alone",
                    subject=channel,
                    change="no boost where sound waves cancel",
                    evidence="narrow dips that stay in the seat average of the tuned response",
                    effect=f"{dips[0].depth_db:.1f} dB of headroom stay free",
                    effect_db=round(dips[0].depth_db, 1),
                    uncertainty_db=float(f"{dips[0].scatter_db:.2g}"),
                    refused=tuple(
                        f"filling the dip of {dip.depth_db:.1f} dB at {dip.frequency_hz:.0f} Hz "
                        f"(at {dip.seats} of {count} {'seat' if count == 1 else 'seats'}): what is "
                        "sent there cancels as well, it costs headroom and lifts the other places"
                        for dip in dips
                    ),
                )
            )
    return found


def dips_of(aims: Aims, tuning: Tuning) -> dict[str, tuple[Dip, ...]]:
    """The deepest few narrow dips of every main channel, below 1 kHz."""
    gains = base_gains(aims, tuning, whole_samples=True)
    centres, bands, _ = smooth_rows(aims.model, lowest_hz(aims), HIGHEST_HZ)
    found = {}
    for c in aims.mains:
        level = levels_db(aims, c, gains[c], aims.average, bands)[0]
        seats = levels_db(aims, c, gains[c], np.eye(len(aims.model.seats)), bands)
        found[aims.model.channels[c]] = _deepest(centres, level, seats)
    return found


def _deepest(centres_hz: Array, level_db: Array, seats_db: Array) -> tuple[Dip, ...]:
    """Dips from the level (r,) of the average and those of the seats (s, r)."""
    whole = np.log2(centres_hz / centres_hz[0]) > DIP_OCTAVES / 4
    inside = np.concatenate([[False], narrow_dips(centres_hz, level_db) & whole, [False]])
    edges = np.flatnonzero(np.diff(inside.astype(int)))
    found = []
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        place = first + int(np.argmin(level_db[first:end]))
        near = np.abs(np.log2(centres_hz / centres_hz[place])) < DIP_OCTAVES / 2
        depth = float(np.median(level_db[near]) - level_db[place])
        depths = np.median(seats_db[:, near], axis=1) - seats_db[:, place]
        count = int(np.count_nonzero(depths > NARROW_DIP_DB))
        scatter = float(np.std(depths) / np.sqrt(max(len(depths) - 1, 1)))
        found.append(Dip(float(centres_hz[place]), depth, count, scatter))
    return tuple(sorted(found, key=lambda dip: -dip.depth_db)[:MOST])


def mode_proposals(aims: Aims, state: State) -> list[Proposal]:
    """The cuts that take modes away, with the decay times that they leave."""
    lines: dict[str, list[str]] = {}
    cuts: dict[str, list[float]] = {}
    for section in state.sections:
        if section.mode_q is None or not aims.modes:
            continue
        frequency_hz = float(np.exp(section.values[0]))
        mode = min(aims.modes, key=lambda m: abs(np.log(m.frequency_hz / frequency_hz)))
        names = ", ".join(aims.model.outputs[output] for output in section.outputs)
        cuts.setdefault(names, []).append(float(np.round(frequency_hz, 2)))
        lines.setdefault(names, []).append(
            f"{mode.frequency_hz:.1f} Hz: {section.values[2]:+.1f} dB, 60 dB of decay in "
            f"{mode.after_cut_s(section.values[2]):.2f} s instead of {mode.decay_s:.2f} s"
        )
    return [
        Proposal(
            step="room modes",
            subject=names,
            change="cuts made for room modes: " + "; ".join(texts),
            evidence="poles that the responses of all seats share; each cut's zeros lie on them",
            effect="the bass rings for a shorter time, not only less loudly",
            figures={"frequency_hz": tuple(cuts[names])},
        )
        for names, texts in lines.items()
    ]
