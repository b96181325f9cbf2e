"""Which take a sweep in a long recording belongs to, by the spacing of its markers.

In a playback file every take has its markers a little further apart than the one
before. So each tells its own number, and takes are found in any order, played once or
again, with false starts and pauses between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.locating import Answer
from roomtune.capture.requests import TakeRequest
from roomtune.capture.stimulus import schedule
from roomtune.capture.timing import MarkerTimes, find_markers
from roomtune.signal.sweeps import Sweep

STEP_S = 0.002
MOST = 40
CLOSE_S = 0.0004
CLOSE_TURN_S = 0.1
AROUND_S = 0.25


def numbered(requests: Sequence[TakeRequest]) -> tuple[TakeRequest, ...]:
    """Return the requests with markers 2 ms further apart from one to the next.

    After 40 the numbers begin again.
    """
    return tuple(
        replace(
            request,
            settings=replace(
                request.settings,
                marker_spacing_s=request.settings.marker_spacing_s + STEP_S * (place % MOST),
            ),
        )
        for place, request in enumerate(requests)
    )


def identified(
    columns: NDArray[np.float64],
    requests: Sequence[TakeRequest],
    answers: dict[Sweep, tuple[Answer, ...]],
) -> tuple[float | None, ...]:
    """Return when each take begins in the recording (s), by its markers; None where unknown.

    `columns` (m, inputs) at the sweeps' rate; `answers`: where each sweep was found.
    Of a take that is there several times the last whole one counts: people play
    again what went wrong. Requests that share both sweep and spacing are left out.
    """
    begins: list[float | None] = [None] * len(requests)
    for place, request in enumerate(requests):
        alike = [k for k, other in enumerate(requests) if other.sweep == request.sweep]
        if alike[0] != place:
            continue
        for answer in answers[request.sweep]:
            number = _number(columns, request, answer, [requests[k] for k in alike])
            if number is not None:
                begins[alike[number]] = answer.time_s - schedule(requests[alike[number]]).sweep_s
    return tuple(begins)


def by_both(
    known: Sequence[float | None], in_turn: Sequence[float | None], doubts: Sequence[bool]
) -> tuple[tuple[float | None, ...], tuple[bool, ...]]:
    """When each take begins, by its own number or else by its turn; and which are in doubt.

    The turns count only where those that are known by number kept them.
    """
    kept = all(
        turn_s is not None and abs(turn_s - own_s) < CLOSE_TURN_S
        for own_s, turn_s in zip(known, in_turn, strict=True)
        if own_s is not None
    )
    begins = tuple(
        own_s if own_s is not None else turn_s if kept else None
        for own_s, turn_s in zip(known, in_turn, strict=True)
    )
    open_to_doubt = tuple(
        doubt and own_s is None and kept for own_s, doubt in zip(known, doubts, strict=True)
    )
    return begins, open_to_doubt


def _number(
    columns: NDArray[np.float64],
    request: TakeRequest,
    answer: Answer,
    alike: Sequence[TakeRequest],
) -> int | None:
    """The only one of the requests with equal sweeps whose markers lie around an answer."""
    spacings_s = [other.settings.marker_spacing_s for other in alike]
    middle_s = (min(spacings_s) + max(spacings_s)) / 2
    usual = replace(request, settings=replace(request.settings, marker_spacing_s=middle_s))
    found = _markers(columns, usual, answer)
    if found is None:
        return None
    measured_s = found.instants_s[[1, 3]] - found.instants_s[[0, 2]]
    off_s = np.abs(np.array(spacings_s)[:, None] - measured_s).max(axis=1)
    fitting = np.flatnonzero(off_s < CLOSE_S)
    return int(fitting[0]) if fitting.size == 1 else None


def _markers(
    columns: NDArray[np.float64], request: TakeRequest, answer: Answer
) -> MarkerTimes | None:
    """The markers around a sweep that was found at some moment, if they fit that moment."""
    reference, plan = request.reference, schedule(request)
    if reference.marker is None:
        return None
    rate = request.sweep.sample_rate_hz
    begin = round((answer.time_s - plan.sweep_s - AROUND_S) * rate)
    end = round((answer.time_s - plan.sweep_s + plan.total_s + AROUND_S) * rate)
    column = columns[:, -1 if reference.kind == "loopback" else 0]
    stretch = column[max(begin, 0) : max(end, 0)]
    found = find_markers(stretch, rate, reference.marker, plan.markers_s)
    if found is None:
        return None
    sweep_s = max(begin, 0) / rate + found.instants_s[1] + plan.sweep_s - plan.markers_s[1]
    return found if abs(sweep_s - answer.time_s) < CLOSE_TURN_S else None
