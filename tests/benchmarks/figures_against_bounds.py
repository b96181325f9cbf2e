"""What physics and the machine allow, and what fraction of it is reached (see all_figures.py).

Sweeps take their time: one after the other at least the sum of them, together at
least the longest and its decay. A recording deconvolved takes at least one
transform there and one back. Whatever is read or written goes through memory
once; the rate of a plain copy in the same run is the bound.
"""

from __future__ import annotations

import hashlib
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import deconvolution_speed
import numpy as np
import scipy.fft
from advice_scaling import a_system, measured_of
from report_speed import large_session
from stopwatch import LINE, duration, spent_s

from roomtune.advisor.prediction import predict
from roomtune.advisor.starting import starting_tuning
from roomtune.capture.overlap import pack, tail_s
from roomtune.capture.requests import CaptureSettings, output_requests
from roomtune.capture.stimulus import schedule
from roomtune.capture.together import CAUTIOUS_ROOM, plan_seat
from roomtune.processor.rendering import render
from roomtune.processor.tuning import ChannelSetting, OutputSetting, Route, Tuning
from roomtune.session.folder import Session
from roomtune.signal.smoothing import smooth_power_db
from roomtune.signal.values import FrequencyResponse
from roomtune.system.reading import read_system
from roomtune.virtual.scenario import load_scenario

RATE = 48000


def lines() -> Iterator[str]:
    """The table, line by line."""
    yield LINE("against what is possible", "ours", "bound", "reached", "")
    yield from _sweeps()
    yield from _transforms()
    yield from _memory()
    yield from _reading()


def _bound(what: str, ours: float, least: float, note: str) -> str:
    return LINE(what, duration(ours), duration(least), f"{100 * least / ours:.0f} %", note)


def _sweeps() -> Iterator[str]:
    """A seat of the garden studio, as `roomtune measure` plans it."""
    system = read_system(load_scenario("garden-studio").system_path)
    requests = output_requests(system, CaptureSettings(), system.seats[0].name)
    alone = sum(schedule(request).total_s for request in requests)
    sounding = sum(request.sweep.true_duration_s for request in requests)
    what = f"{len(requests)} outputs at one seat, one by one"
    yield _bound(what, alone, sounding, "sweeps without any silence")
    packed = pack(requests, CAUTIOUS_ROOM)
    longest = max(p.request.sweep.true_duration_s + tail_s(p.request, CAUTIOUS_ROOM)
                  for p in packed.places)  # fmt: skip
    yield _bound("  the same overlapped, first seat", plan_seat(requests).time_s, longest,
                 "the longest sweep and its decay")  # fmt: skip


def _transforms() -> Iterator[str]:
    rows = deconvolution_speed.recordings()
    needed_s = 0.3 + deconvolution_speed.SWEEP.true_duration_s + 1.0  # before, sweep, after
    length = scipy.fft.next_fast_len(int(needed_s * RATE), real=True)
    ours = spent_s(lambda: deconvolution_speed.ours(rows), 2)
    some = [rows[first : first + 4, :length] for first in range(0, len(rows), 4)]
    least = spent_s(lambda: [scipy.fft.irfft(scipy.fft.rfft(r), length) for r in some], 2)
    note = f"one transform there and back each, {length} samples"
    yield _bound("deconvolve 12 recordings of 2^19 samples", ours, least, note)


def _memory() -> Iterator[str]:
    block = np.ones(1 << 25)
    target = np.empty_like(block)
    rate = 2 * block.nbytes / spent_s(lambda: np.copyto(target, block))
    note = f"memory at {rate / 1e9:.1f} GB/s"
    system = a_system(12, 6)
    measured, tuning = measured_of(system), starting_tuning(system)
    response = predict(tuning, measured).response
    read = measured.spectrum.values.nbytes + response.values.nbytes
    yield _bound("predict 12 outputs at 6 seats, all frequencies",
                 spent_s(lambda: predict(tuning, measured)), read / rate, note)  # fmt: skip
    samples = np.random.default_rng(0).normal(size=1 << 20)
    whole = FrequencyResponse(np.fft.rfftfreq(len(samples), 1 / RATE), np.fft.rfft(samples))
    yield _bound("smooth 2^19 + 1 bins over 1/6 octave",
                 spent_s(lambda: smooth_power_db(whole, 6)),
                 1.5 * whole.values.nbytes / rate, note)  # fmt: skip
    wires = tuple(OutputSetting(f"out {n}", n + 1, delay_ms=float(n)) for n in range(12))
    plain = Tuning(float(RATE), (ChannelSetting("C"),),
                   tuple(Route("C", o.name) for o in wires), wires)  # fmt: skip
    programme = samples[:, None]
    yield _bound("render 22 s to 12 outputs, delays only",
                 spent_s(lambda: render(plain, programme)),
                 (1 + len(wires)) * samples.nbytes / rate, note)  # fmt: skip


def _reading() -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        session = Session.open(large_session(Path(folder), 0))
        data = np.random.default_rng(1).bytes(1 << 26)
        session.save("sound", ".bin", data)
        ours = spent_s(session.check)
        least = spent_s(lambda: hashlib.sha256(data).digest())
        yield _bound("check a session of 64 MiB", ours, least, "SHA-256 of the same bytes")


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for line in lines():
            print(line, flush=True)
