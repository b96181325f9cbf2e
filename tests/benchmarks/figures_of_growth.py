"""How cost grows with outputs, seats, sample rate, sweep length and session size.

Processor time of one thread at each size, and the power of the size with which it
grows (slope of the logarithms): 1 is in proportion. See all_figures.py.
"""

from __future__ import annotations

import tempfile
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
from advice_scaling import plan_of
from report_speed import large_content, large_session, large_take
from stopwatch import duration, exponent, spent_s

from roomtune.capture.interface import Recording
from roomtune.capture.reading import take_from_recording
from roomtune.capture.requests import CaptureSettings, Marker, Reference, TakeRequest
from roomtune.capture.stimulus import take_signals
from roomtune.report.html import write_report
from roomtune.session.folder import Session
from roomtune.signal.sweeps import Sweep

ROW = "  {:<47}{:<44}{}".format


def lines() -> Iterator[str]:
    """The table, line by line."""
    yield ROW("growth of cost", "size: time", "power of the size")
    plan_of(8, 1)  # loads the libraries
    yield _row("advice by outputs, 2 seats", (8, 12, 16), lambda n: plan_of(n, 2)[0])
    yield _row("advice by seats, 8 outputs", (2, 4, 8), lambda n: plan_of(8, n)[0])
    yield _row("report by seats, 12 outputs", (2, 4, 8), _reporting_s)
    yield _row("read and judge a take by sample rate (kHz)", (44.1, 48, 96, 192), _rate_s)
    yield _row("read and judge a take by sweep length (s)", (1, 2, 4, 8), _length_s)
    sizes = (30, 300, 3000)
    for what, task in (("open", _opening_s), ("keep one more take", _keeping_s)):
        yield _row(f"{what} by takes in the session", sizes, task)


def _row(what: str, sizes: Sequence[float], task: Callable[[float], float]) -> str:
    times = [task(size) for size in sizes]
    told = ", ".join(f"{n:g}: {duration(t)}" for n, t in zip(sizes, times, strict=True))
    return ROW(what, told, f"  {exponent(sizes, times):.2f}")


def _reporting_s(seats: float) -> float:
    content = large_content(int(seats))
    with tempfile.TemporaryDirectory() as folder:
        begun = time.process_time()
        write_report(Path(folder) / "report.html", content)
        return time.process_time() - begun


def _rate_s(rate_khz: float) -> float:
    return _reading_s(4.0, 1000 * rate_khz)


def _length_s(length_s: float) -> float:
    return _reading_s(length_s, 48000.0)


def _reading_s(length_s: float, rate_hz: float) -> float:
    """One take of a wire of 10 ms, with faint noise and markers around the sweep."""
    request = TakeRequest(
        "woofer", "output", "main", 1, Sweep(20.0, 20000.0, length_s, rate_hz), -12.0,
        Reference("acoustic", Marker(1500.0, 8000.0, 0.1, -20.0), 1),
        CaptureSettings(sweep_duration_s=length_s),
    )  # fmt: skip
    played = take_signals(request).sum(axis=1)
    late = np.pad(played, (round(0.01 * rate_hz), round(0.5 * rate_hz)))
    noise = 1e-5 * np.random.default_rng(0).standard_normal(late.size)
    recording = Recording((late + noise)[:, None], rate_hz)
    assert take_from_recording(recording, request).verdict.grade == "good"
    return spent_s(lambda: take_from_recording(recording, request), 2)


def _opening_s(takes: float) -> float:
    with tempfile.TemporaryDirectory() as folder:
        path = large_session(Path(folder), int(takes))
        return spent_s(lambda: Session.open(path).best())


def _keeping_s(takes: float) -> float:
    with tempfile.TemporaryDirectory() as folder:
        session = Session.open(large_session(Path(folder), int(takes)))
        take = large_take()
        return spent_s(lambda: session.add(take))


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for line in lines():
            print(line, flush=True)
