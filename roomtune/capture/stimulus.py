"""The signals of one take: silence, markers, the sweep, and where each begins."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.requests import Marker, TakeRequest
from roomtune.signal.decibels import amplitude
from roomtune.signal.sweeps import raised_cosine, sweep_signal


@dataclass(frozen=True)
class Schedule:
    """When what begins, in seconds after the first sample that is played.

    `markers_s`: four instants (two before, two after the sweep), or none.
    `quiet_s`: the length of silence at the start. `total_s`: the whole signal.
    """

    quiet_s: float
    markers_s: tuple[float, ...]
    sweep_s: float
    sweep_end_s: float
    total_s: float


def schedule(request: TakeRequest) -> Schedule:
    """Lay out one take; every instant is a whole number of samples."""
    settings = request.settings
    rate = request.sweep.sample_rate_hz

    def whole(time_s: float) -> float:
        return round(time_s * rate) / rate

    first = whole(settings.lead_s)
    length = request.sweep.sample_count / rate
    if request.reference.marker is None:
        end = first + length
        return Schedule(first, (), first, end, whole(end + settings.tail_s + settings.end_s))
    second = whole(first + settings.marker_spacing_s)
    sweep = whole(second + settings.marker_s + settings.marker_gap_s)
    end = sweep + length
    third = whole(end + settings.tail_s)
    fourth = whole(third + settings.marker_spacing_s)
    total = whole(fourth + settings.marker_s + settings.end_s)
    return Schedule(first, (first, second, third, fourth), sweep, end, total)


@lru_cache(maxsize=8)
def marker_signal(marker: Marker, sample_rate_hz: float) -> NDArray[np.float64]:
    """Return one marker at peak 1: a linear chirp with soft ends, shape (n,), read-only."""
    count = round(marker.duration_s * sample_rate_hz)
    times = np.arange(count) / sample_rate_hz
    slope = (marker.stop_hz - marker.start_hz) / marker.duration_s
    signal = np.sin(2 * np.pi * (marker.start_hz * times + slope / 2 * times**2))
    edge = marker.duration_s / 4
    signal *= raised_cosine(times / edge) * raised_cosine((marker.duration_s - times) / edge)
    signal.flags.writeable = False
    return signal


def take_signals(request: TakeRequest, outputs: int | None = None) -> NDArray[np.float64]:
    """Return what to play for one take, shape (n, outputs), re digital full scale.

    As many columns as the highest interface output in use, or `outputs`.
    The peak on any column is the level that the request states for it. Raises ValueError when
    `outputs` are fewer than the request uses.
    """
    plan = schedule(request)
    reference = request.reference
    used = max(
        request.interface_output, reference.interface_output or 1, reference.witness_output or 1
    )
    if outputs is not None and outputs < used:
        raise ValueError(f"{outputs} columns cannot hold interface output {used}")
    signals = np.zeros((round(plan.total_s * request.sweep.sample_rate_hz), outputs or used))
    for interface_output, sound, level_dbfs, instants_s in _parts(request, plan):
        scaled = sound * amplitude(level_dbfs)
        for begin_s in instants_s:
            begin = round(begin_s * request.sweep.sample_rate_hz)
            signals[begin : begin + scaled.size, interface_output - 1] += scaled
    return signals


Part = tuple[int, NDArray[np.float64], float, tuple[float, ...]]


def _parts(request: TakeRequest, plan: Schedule) -> Iterator[Part]:
    """What sounds on which interface output, at what peak level (dB), and when."""
    sweep = sweep_signal(request.sweep)
    yield request.interface_output, sweep, request.level_dbfs, (plan.sweep_s,)
    reference = request.reference
    if reference.kind == "loopback" and reference.interface_output and reference.marker:
        yield reference.interface_output, sweep, reference.marker.level_dbfs, (plan.sweep_s,)
    yield from marker_parts(request, plan)


def marker_parts(request: TakeRequest, plan: Schedule) -> Iterator[Part]:
    """Where the markers sound, at what peak level (dB), and when."""
    reference = request.reference
    if reference.marker is None or reference.interface_output is None:
        return
    chirp = marker_signal(reference.marker, request.sweep.sample_rate_hz)
    yield reference.interface_output, chirp, reference.marker.level_dbfs, plan.markers_s
    if reference.witness_output is not None:
        yield reference.witness_output, chirp, reference.witness_level_dbfs, plan.markers_s
