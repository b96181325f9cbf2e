"""Who moved: loudspeakers, or the seats, told from how all path lengths changed.

The path from loudspeaker l to seat s changed by  p[l, s] = o[s] + what l's
move adds + what s's move adds;  o[s] is the unknown change of the time
reference, zero where a loopback tells the time. The simplest explanation is
sought: nobody, a few loudspeakers, all seats together (a sofa), single seats.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from roomtune.session.changes import Differences
from roomtune.system.model import Position, System

SOUND_SPEED_M_PER_S = 343.2
LEAST_MOVE_M = 0.025
SURE_M = 0.006
MOST_LOUDSPEAKERS = 0.45
SHARP_S = 2e-5
VAGUE_S = 3e-4
LARGEST_MOVE_M = 1.5
MOST_LEFT_OUT = 2
AGREEING = 3.0
ABOUT_AS_SURE, FAIR_S, FEWEST_TO_AGREE = 3.0, 1e-4, 3
Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Moves:
    """What moved: loudspeakers by name, seats by name, in metres.

    `path_m[name]`: (seats,) what remains of the path changes of a moved
    loudspeaker; `surely[name]`: whether its displacement is well known, else
    it moved at least so far. `seats_m`: by name, what the seats moved by.
    """

    loudspeakers_m: dict[str, float] = field(default_factory=dict)
    path_m: dict[str, Real] = field(default_factory=dict)
    sure_m: dict[str, float] = field(default_factory=dict)
    seats_m: dict[str, float] = field(default_factory=dict)
    together: bool = False
    surely: dict[str, bool] = field(default_factory=dict)


def find_moves(system: System, found: Differences) -> Moves:
    """The simplest explanation of the path changes between two rounds."""
    paths = _paths(system, found)
    plain = _outliers(paths, paths.change_m - _centre(paths, paths.change_m))
    count, moved_alone = len(paths.names), len(plain.loudspeakers_m)
    few = moved_alone <= max(MOST_LOUDSPEAKERS * count, 1)
    if few or count < (2 if paths.absolute else 3):
        return _with_displacements(system, found, plain)
    if paths.loudspeakers_m is None or paths.seats_m is None:
        return _seats_without_places(paths)
    for together in (True, False):
        shifts = _seat_shifts(paths, together)
        rest = paths.change_m - paths.seats_moved(shifts)
        moved = _outliers(paths, rest - _centre(paths, rest))
        if len(moved.loudspeakers_m) <= MOST_LOUDSPEAKERS * len(paths.names) or not together:
            break
        if len(paths.names) < 3:
            return _with_displacements(system, found, plain)
    sizes = np.linalg.norm(shifts, axis=1)
    seats = {s: float(m) for s, m in zip(found.seats, sizes, strict=True) if m > LEAST_MOVE_M}
    final = _with_displacements(system, found, moved, shifts)
    return replace(final, seats_m=seats, together=together)


@dataclass(frozen=True, eq=False)
class _Paths:
    """One row per loudspeaker of well-known arrivals, from its output known best.

    change_m (loudspeakers, seats); sure_m (loudspeakers,); loudspeakers_m and
    seats_m (..., 3): where they stood, None where that is not known; absolute:
    whether change_m has no unknown offset per seat.
    """

    names: tuple[str, ...]
    change_m: Real
    sure_m: Real
    loudspeakers_m: Real | None
    seats_m: Real | None
    absolute: bool

    def seats_moved(self, shifts_m: Real) -> Real:
        """Path changes (loudspeakers, seats) when seats move horizontally by (seats, 2)."""
        assert self.loudspeakers_m is not None
        assert self.seats_m is not None
        moved = self.seats_m + np.pad(shifts_m, ((0, 0), (0, 1)))
        return _distances(self.loudspeakers_m, moved) - _distances(
            self.loudspeakers_m, self.seats_m
        )


def _distances(loudspeakers_m: Real, seats_m: Real) -> Real:
    return np.asarray(np.linalg.norm(loudspeakers_m[:, None] - seats_m[None], axis=-1), dtype=float)


def _paths(system: System, found: Differences) -> _Paths:
    best: dict[str, int] = {}
    for row, output in enumerate(found.outputs):
        name = system.output(output).loudspeaker
        if name not in best or found.sure_s[row] < found.sure_s[best[name]]:
            best[name] = row
    known = {n: row for n, row in best.items() if found.sure_s[row] < VAGUE_S}
    best = known if len(known) > 1 else best
    rows = list(best.values())
    change = np.array([_agreed_s(system, found, row) for row in rows]) * SOUND_SPEED_M_PER_S
    sure = np.maximum(found.sure_s[rows] * SOUND_SPEED_M_PER_S, SURE_M)
    return _Paths(
        tuple(best),
        change,
        sure,
        _places([system.loudspeaker(name).position_m for name in best]),
        _places([system.seat(name).position_m for name in found.seats]),
        found.absolute,
    )


def _agreed_s(system: System, found: Differences, best: int) -> Real:
    """Changes of arrival (seats,) of a loudspeaker, known best from the output `best`.

    With three outputs or more that are known fairly well, their median: a wrong
    peak of one at a single seat does no harm then.
    """
    name = system.output(found.outputs[best]).loudspeaker
    mine = [r for r, o in enumerate(found.outputs) if system.output(o).loudspeaker == name]
    known = [r for r in mine if found.sure_s[r] <= max(ABOUT_AS_SURE * found.sure_s[best], FAIR_S)]
    if len(known) < FEWEST_TO_AGREE:
        return np.asarray(found.delay_s[best], dtype=float)
    return np.asarray(np.median(found.delay_s[known], axis=0), dtype=float)


def _places(positions: list[Position | None]) -> Real | None:
    known = [p for p in positions if p is not None]
    return np.array(known, dtype=float) if len(known) == len(positions) else None


def _centre(paths: _Paths, change_m: Real) -> Real:
    """Per seat, the change that the sharply timed loudspeakers share, (seats,).

    Zero where times are absolute.
    """
    if paths.absolute:
        return np.zeros(change_m.shape[1])
    sharp = paths.sure_m <= max(SHARP_S * SOUND_SPEED_M_PER_S, float(paths.sure_m.min()))
    return np.asarray(np.median(change_m[sharp], axis=0), dtype=float)


def _outliers(paths: _Paths, rest_m: Real) -> Moves:
    """The loudspeakers whose remaining path changes are beyond doubt."""
    sizes = np.max(np.abs(rest_m), axis=1)
    rows = [i for i, m in enumerate(sizes) if m > max(LEAST_MOVE_M, 4 * paths.sure_m[i])]
    return Moves(
        {paths.names[i]: float(sizes[i]) for i in rows},
        {paths.names[i]: rest_m[i] for i in rows},
        {paths.names[i]: float(paths.sure_m[i]) for i in rows},
    )


def _seat_shifts(paths: _Paths, together: bool) -> Real:
    """Horizontal displacement of every seat (seats, 2): one for all, or one for each."""
    seats = paths.change_m.shape[1]
    if not together:
        return np.stack([_shift(paths, [s]) for s in range(seats)])
    return np.tile(_shift(paths, list(range(seats))), (seats, 1))


def _shift(paths: _Paths, seats: list[int]) -> Real:
    """One displacement (2,) for these seats, from as many loudspeakers as agree on it.

    Loudspeakers that moved themselves are found by leaving out none, one, two
    of them, until the rest agree within their uncertainty.
    """
    count = len(paths.names)
    best: tuple[float, Real] | None = None
    for left_out in range(max(min(count - 3, MOST_LEFT_OUT), 0) + 1):
        for out in itertools.combinations(range(count), left_out):
            kept = [i for i in range(count) if i not in out]
            shift, misfit = _fitted_shift(paths, seats, kept)
            if best is None or misfit < best[0]:
                best = misfit, shift
        if best is not None and best[0] < AGREEING:
            break
    return np.zeros(2) if best is None else best[1]


def _fitted_shift(paths: _Paths, seats: list[int], kept: list[int]) -> tuple[Real, float]:
    """Displacement (2,) fitted to the kept loudspeakers, each seat with its own time offset.

    Without such an offset where times are absolute. Gauss-Newton on the exact
    distances. Also returns the largest rest over its uncertainty.
    """
    assert paths.loudspeakers_m is not None
    assert paths.seats_m is not None
    change, sure = paths.change_m[np.ix_(kept, seats)], paths.sure_m[kept][:, None]
    offsets = 0 if paths.absolute else len(seats)
    columns = np.broadcast_to(np.eye(len(seats), offsets)[None], (*change.shape, offsets))
    solution = np.zeros(2 + offsets)
    for _ in range(12):
        shifts = np.zeros((len(paths.seats_m), 2))
        shifts[seats] = solution[:2]
        rest = change - paths.seats_moved(shifts)[np.ix_(kept, seats)]
        rest = rest - (solution[2:] if offsets else 0.0)
        there = paths.seats_m + np.pad(shifts, ((0, 0), (0, 1)))
        away = there[None, seats] - paths.loudspeakers_m[kept][:, None]
        slope = away[..., :2] / np.linalg.norm(away, axis=-1, keepdims=True)
        matrix = np.concatenate([slope, columns], axis=-1) / sure[..., None]
        step = np.linalg.lstsq(matrix.reshape(-1, len(solution)), (rest / sure).ravel(), rcond=1e-6)
        solution = solution + step[0]
    return solution[:2], float(np.max(np.abs(rest / sure)))


def _seats_without_places(paths: _Paths) -> Moves:
    """Most paths changed, and nobody knows where things stand: the seats moved, at least so far."""
    spread = np.ptp(paths.change_m, axis=0) / 2
    return Moves(seats_m={"": float(spread.max())}, together=True)


def _with_displacements(
    system: System, found: Differences, moves: Moves, shifts_m: Real | None = None
) -> Moves:
    """Path changes turned into horizontal displacements, and whether these are well known."""
    sizes, surely = {}, {}
    seats = _places([system.seat(name).position_m for name in found.seats])
    if seats is not None and shifts_m is not None:
        seats = seats + np.pad(shifts_m, ((0, 0), (0, 1)))
    for name, path in moves.path_m.items():
        sizes[name], surely[name] = float(np.max(np.abs(path))), False
        place = system.loudspeaker(name).position_m
        if place is not None and seats is not None:
            size, sure = _displacement_m(np.array(place), seats, path, moves.sure_m[name])
            if sure < 0.3 * size:
                sizes[name], surely[name] = size, True
    return replace(moves, loudspeakers_m=sizes, surely=surely)


def _displacement_m(place: Real, seats: Real, path_m: Real, sure_m: float) -> tuple[float, float]:
    """Horizontal displacement of a loudspeaker that explains its path changes, and how sure."""
    shift = np.zeros(2)
    before = np.linalg.norm(place - seats, axis=1)
    for _ in range(30):
        away = place + np.append(shift, 0) - seats
        far = np.linalg.norm(away, axis=1)
        slope = away[:, :2] / far[:, None] / sure_m
        normal = slope.T @ slope + np.eye(2) / LARGEST_MOVE_M**2
        rest = (path_m - (far - before)) / sure_m
        step = np.linalg.solve(normal, slope.T @ rest - shift / LARGEST_MOVE_M**2)
        shift = shift + np.clip(step, -0.3, 0.3)
    size = float(np.linalg.norm(shift))
    along = shift / max(size, 1e-9)
    misfit = np.sqrt(1 + np.mean(rest**2))
    return size, float(misfit * np.sqrt(along @ np.linalg.inv(normal) @ along))
