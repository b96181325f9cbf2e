"""Two rounds of measurement compared: what changed, by how much, and whether it matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.measured import Measured
from roomtune.session.changes import BASS_BELOW_HZ, Differences, differences
from roomtune.session.moves import SURE_M, Moves, find_moves
from roomtune.session.reversals import reversals
from roomtune.signal.bands import band_name
from roomtune.system.model import System

if TYPE_CHECKING:
    from roomtune.processor.tuning import Tuning

LEAST_GAIN_DB = 0.4
LEAST_LEVEL_DB = 0.7
LEAST_TREBLE_DB = 1.0
MOVED_LEVEL_DB = 1.5
LEAST_LATE_DB = 0.8
LEAST_BASS_DB = 1.0
TREBLE_ABOVE_HZ = 5000.0
WORSE_DEVIATION_DB = 0.3
TOLD_FIRST = 3
REVERSED_SIGNIFICANCE = 100.0
WORSE_LEVELS_DB = 0.5
WORSE_ARRIVALS_MS = 0.1
NOTHING = "Nothing changed beyond what noise and repetition explain."
Real = NDArray[np.float64]


@dataclass(frozen=True)
class Change:
    """One thing that changed.

    `kind` is a stable key ("microphone gain", "polarity", "level", "treble", "moved",
    "absorption", "bass"); `size` with `unit` says how much, `significance` how
    many times more than what noise and repetition explain.
    """

    kind: str
    subject: str
    text: str
    size: float
    unit: str
    significance: float

    @property
    def uncertainty(self) -> float:
        """One standard deviation of `size`, from noise, repetition and scatter among seats."""
        return abs(self.size) / max(self.significance, 1e-9)


@dataclass(frozen=True, eq=False)
class Comparison:
    """What changed between two rounds, most telling first, and what to do.

    `level_db` (outputs, seats, bands) at centres_hz: second minus first, NaN
    where not judged. `scores_before` and `scores_now` are figures of merit of the
    tuning in use, for the first and the second round.
    """

    outputs: tuple[str, ...]
    seats: tuple[str, ...]
    centres_hz: Real
    level_db: Real
    findings: tuple[Change, ...]
    worth_retuning: bool
    reason: str
    scores_before: dict[str, float]
    scores_now: dict[str, float]

    @property
    def changed(self) -> bool:
        """Whether anything changed beyond noise and repetition."""
        return bool(self.findings)

    @property
    def summary(self) -> str:
        """The comparison in a few sentences: the three most telling changes, and what to do."""
        if not self.findings:
            return f"{NOTHING} {self.reason}"
        told = [f.text for f in self.findings[:TOLD_FIRST]]
        more = len(self.findings) - TOLD_FIRST
        if more > 0:
            told.append(f"{more} smaller change{'s' if more > 1 else ''} besides.")
        return " ".join([*told, self.reason])

    def __str__(self) -> str:
        return self.summary


def compare(
    system: System, first: Measured, second: Measured, tuning: Tuning | None = None
) -> Comparison:
    """Say what changed from the first round to the second.

    With the `tuning` in use, whether retuning is worth it is judged by what
    the tuning gives now against what it gave. Raises ValueError for rounds
    that have nothing in common.
    """
    found = differences(first, second)
    moves = find_moves(system, found)
    gain, common = _common_gain_db(found, moves)
    findings = [
        *common,
        *_reversed(found),
        *_move_findings(found, moves),
        *_levels(system, found, gain, moves),
        *_treble(found),
        *_absorption(found, moves),
        *_bass(found, moves),
    ]
    ordered = tuple(sorted(findings, key=lambda f: -f.significance))
    before, now = _scores(system, first, second, tuning)
    worth, reason = _worth(ordered, before, now)
    level = np.where(found.judged, found.level_db, np.nan)
    return Comparison(
        found.outputs, found.seats, found.centres_hz, level, ordered, worth, reason, before, now
    )


def _output_levels_db(found: Differences) -> Real:
    """Level change (outputs, seats) of the direct sound below 5 kHz, else above, else of all."""
    whole = np.where(found.judged, found.level_db, np.nan)
    high = found.centres_hz > TREBLE_ABOVE_HZ
    levels = _nan_median(found.direct_db[..., ~high])
    for other in (_nan_median(found.direct_db), _nan_median(whole)):
        levels = np.where(np.isfinite(levels), levels, other)
    return levels


def _nan_median(values: Real) -> Real:
    """Median over the last axis without NaN; NaN where nothing is left."""
    empty = np.asarray(np.isnan(values).all(axis=-1))
    filled = np.where(empty[..., None], 0.0, values)
    return np.where(empty, np.nan, np.nanmedian(filled, axis=-1))


def _common_gain_db(found: Differences, moves: Moves) -> tuple[float, list[Change]]:
    """A level change shared by every output: the microphone's gain or the master volume.

    Where the seats moved, it has to be more than the other distances explain.
    """
    levels = _output_levels_db(found)
    known = levels[np.isfinite(levels)]
    if not len(known):
        return 0.0, []
    middle = float(np.median(known))
    scatter = 1.4826 * float(np.median(np.abs(known - middle)))
    sure = max(scatter / np.sqrt(len(known)), 0.05)
    agreeing = np.mean(np.abs(known - middle) < max(0.5 * abs(middle), 0.3))
    least = LEAST_GAIN_DB + MOVED_LEVEL_DB * bool(moves.seats_m)
    if abs(middle) < least or abs(middle) < 3 * sure or agreeing < 0.6:
        return 0.0, []
    text = (
        f"Everything is {_signed(middle, 'dB', 'louder', 'quieter')} alike, direct sound included: "
        "the gain of the microphone or the master volume was changed, not the room."
    )
    return middle, [
        Change("microphone gain", "all outputs", text, middle, "dB", abs(middle) / sure)
    ]


def _reversed(found: Differences) -> list[Change]:
    """Outputs that were turned round: wires swapped, or inverted in a setting."""
    return [
        Change(
            "polarity",
            name,
            f"Output {name} has the opposite polarity: its two wires were swapped, "
            "or it was inverted in the amplifier.",
            180.0,
            "degrees",
            REVERSED_SIGNIFICANCE * sure,
        )
        for name, sure in reversals(found).items()
    ]


def _move_findings(found: Differences, moves: Moves) -> list[Change]:
    """Moves in words: seats first, then single loudspeakers."""
    changes = []
    if moves.seats_m:
        size = max(moves.seats_m.values())
        who = "The seats (or the places of the microphone) were"
        if not moves.together:
            who = f"The seat {max(moves.seats_m, key=lambda s: moves.seats_m[s])} was"
        text = (
            f"{who} moved by about {100 * size:.0f} cm: most loudspeakers are at other distances."
        )
        changes.append(Change("seats moved", "seats", text, size, "m", size / SURE_M))
    for name, size in moves.loudspeakers_m.items():
        path = moves.path_m[name]
        most = int(np.argmax(np.abs(path)))
        about = "about" if moves.surely.get(name) else "at least"
        text = (
            f"Loudspeaker {name} was moved by {about} {100 * size:.0f} cm (its sound travels "
            f"{_signed(100 * float(path[most]), 'cm', 'farther', 'less far')} to the seat "
            f"{found.seats[most]})."
        )
        significance = float(np.abs(path[most])) / moves.sure_m[name]
        changes.append(Change("moved", name, text, size, "m", significance))
    return changes


def _levels(system: System, found: Differences, gain_db: float, moves: Moves) -> list[Change]:
    """Outputs that became louder or quieter by themselves, not just nearer or farther."""
    changes = []
    levels = _output_levels_db(found) - gain_db
    for row, name in enumerate(found.outputs):
        by_distance = MOVED_LEVEL_DB * (
            system.output(name).loudspeaker in moves.loudspeakers_m or bool(moves.seats_m)
        )
        known = levels[row][np.isfinite(levels[row])]
        if not len(known):
            continue
        size = float(np.median(known))
        sure = max(float(np.std(known)) / np.sqrt(len(known)), 0.1)
        if abs(size) > max(LEAST_LEVEL_DB, 3 * sure) + by_distance:
            text = f"Output {name} is {_signed(size, 'dB', 'louder', 'quieter')}."
            changes.append(Change("level", name, text, size, "dB", abs(size) / sure))
    return changes


def _treble(found: Differences) -> list[Change]:
    """Outputs whose direct sound changed above 5 kHz against what is below."""
    changes = []
    high = found.centres_hz > TREBLE_ABOVE_HZ
    for row, name in enumerate(found.outputs):
        direct = found.direct_db[row]
        top, rest = direct[:, high], direct[:, ~high]
        if np.isnan(top).all() or np.isnan(rest).all():
            continue
        per_seat = _nan_median(top) - _nan_median(rest)
        size = float(np.median(per_seat))
        sure = max(float(np.std(per_seat)) / np.sqrt(len(per_seat)), 0.15)
        if abs(size) > max(LEAST_TREBLE_DB, 3 * sure):
            text = (
                f"Output {name} has {_signed(size, 'dB', 'more', 'less')} treble (above 5 kHz): "
                "look whether something stands before it, it was turned, or the driver suffers."
            )
            changes.append(Change("treble", name, text, size, "dB", abs(size) / sure))
    return changes


def _absorption(found: Differences, moves: Moves) -> list[Change]:
    """Late sound that changed against the direct sound, at most outputs alike.

    Where the seats moved, the direct sound is louder or quieter by its way alone: then
    the late sound by itself has to say the same, and the smaller change counts.
    """
    late = found.late_db - _output_levels_db(found)
    if moves.seats_m:
        same = np.sign(late) == np.sign(found.late_db)
        smaller = np.sign(late) * np.minimum(abs(late), abs(found.late_db))
        late = np.where(same, smaller, 0.0 * late)
    known = late[np.isfinite(late)]
    if len(known) < 2:
        return []
    size = float(np.median(known))
    sure = max(1.4826 * float(np.median(np.abs(known - size))) / np.sqrt(len(known)), 0.12)
    same_way = np.mean(np.sign(known) == np.sign(size))
    if abs(size) < max(LEAST_LATE_DB, 3 * sure) or same_way < 0.75:
        return []
    what = "less" if size > 0 else "more"
    text = (
        f"The room has {what} absorption: what follows the direct sound is "
        f"{_signed(size, 'dB', 'louder', 'quieter')} at most loudspeakers."
    )
    return [Change("absorption", "room", text, size, "dB", abs(size) / sure)]


def _bass(found: Differences, moves: Moves) -> list[Change]:
    """Bass responses that changed shape: modes moved, or are excited or heard otherwise."""
    low = found.centres_hz < BASS_BELOW_HZ
    judged = found.judged & low
    if not judged.any():
        return []
    levels = _output_levels_db(found)
    change = np.where(judged, found.level_db - levels[..., None], 0.0)
    squares = np.maximum(change**2 - found.uncertainty_db**2, 0.0)
    size = float(np.sqrt(np.sum(squares * judged) / np.sum(judged)))
    if size < LEAST_BASS_DB:
        return []
    per_band = np.sum(squares * judged, axis=(0, 1)) / np.maximum(judged.sum(axis=(0, 1)), 1)
    worst = int(np.argmax(per_band))
    why = "room modes were shifted or are excited otherwise"
    if moves.seats_m:
        why = "the seats are at other places in the room's modes"
    text = (
        f"The bass below {BASS_BELOW_HZ:.0f} Hz changed by {size:.1f} dB rms, most at "
        f"{band_name(found.centres_hz[worst])}: {why}."
    )
    return [Change("bass", "room", text, size, "dB", size / 0.3)]


def _scores(
    system: System, first: Measured, second: Measured, tuning: Tuning | None
) -> tuple[dict[str, float], dict[str, float]]:
    """Figures of merit of the tuning in both rounds; empty without a tuning."""
    if tuning is None:
        return {}, {}
    from roomtune.advisor.prediction import predict
    from roomtune.advisor.scores import scores

    both = []
    for measured in (first, second):
        seats = [s for s in first.seats if s in second.seats]
        prediction = predict(tuning, measured.selected(seats))
        result = scores(system, prediction.channels, prediction.seats, prediction.impulse_responses)
        both.append(score_numbers(result))
    return both[0], both[1]


def score_numbers(result) -> dict[str, float]:  # type: ignore[no-untyped-def]
    """The four figures of merit by name."""
    return {
        "deviation_db": float(result.deviation_db),
        "level_spread_db": float(result.level_spread_db),
        "arrival_spread_ms": float(result.arrival_spread_ms),
        "left_right_mismatch_db": float(result.left_right_mismatch_db),
    }


def _worth(
    findings: Sequence[Change], before: dict[str, float], now: dict[str, float]
) -> tuple[bool, str]:
    """Whether a new tuning is worth it, and why."""
    if not before:
        real = [f for f in findings if f.kind != "microphone gain"]
        if real:
            return True, "A new tuning is worth trying."
        return False, "A new tuning is not needed."
    bounds = (
        ("deviation_db", WORSE_DEVIATION_DB, "dB", "deviation from the target"),
        ("level_spread_db", WORSE_LEVELS_DB, "dB", "spread of the channel levels"),
        ("arrival_spread_ms", WORSE_ARRIVALS_MS, "ms", "spread of the arrivals"),
        ("left_right_mismatch_db", 3 * WORSE_DEVIATION_DB, "dB", "left/right mismatch"),
    )
    worse = [
        f"the {what} went from {before[key]:.2f} to {now[key]:.2f} {unit}"
        for key, bound, unit, what in bounds
        if now[key] - before[key] > bound
    ]
    if worse:
        return True, "A new tuning is worth it: " + ", ".join(worse) + "."
    return False, "A new tuning is not needed: the one in use still gives what it gave."


def _signed(value: float, unit: str, above: str, below: str) -> str:
    return f"{abs(value):.1f} {unit} {above if value > 0 else below}"
