"""Figures against outside references, both in the same run (see all_figures.py).

Times are processor time of one thread. A ratio above 1 says that ours needs less.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator

import deconvolution_speed
import equaliser_against_global_search as equaliser
import numpy as np
import scipy.signal
import start_up_cost
import subwoofers_against_global_search as subwoofers
from global_search import kept
from processor_speed import large_tuning
from stopwatch import LINE, duration, spent_s

from roomtune.analysis.decay import decay
from roomtune.processor.filters import filter_sections
from roomtune.processor.rendering import render
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.signal.smoothing import smooth_power_db
from roomtune.signal.values import FrequencyResponse, ImpulseResponse

RATE = 48000
TARGETS = 6


def lines() -> Iterator[str]:
    """The table, line by line."""
    yield LINE("against outside references", "ours", "theirs", "ratio", "")
    for part in (_deconvolving, _smoothing, _decaying, _filtering, _responding, _starting):
        yield from part()
    yield from _equalising()
    yield from _subwoofers()


def _both(what: str, ours: float, theirs: float, note: str) -> str:
    return LINE(what, duration(ours), duration(theirs), f"{theirs / ours:.2g}", note)


def _deconvolving() -> Iterator[str]:
    rows = deconvolution_speed.recordings()
    ways: dict[str, Callable[[np.ndarray], object]] = {
        "scipy.fft, plain division, no distortion orders": deconvolution_speed.plain,
        "pyfar, regularised": deconvolution_speed.pyfars,
    }
    ours = spent_s(lambda: deconvolution_speed.ours(rows), 2)
    for name, way in ways.items():
        what = "deconvolve 12 recordings of 2^19 samples"
        yield _both(what, ours, spent_s(lambda w=way: w(rows), 2), name)


def _smoothing() -> Iterator[str]:
    import pyfar

    samples = np.random.default_rng(0).normal(size=1 << 18)
    response = FrequencyResponse(np.fft.rfftfreq(len(samples), 1 / RATE), np.fft.rfft(samples))
    signal = pyfar.Signal(samples, RATE)
    ours = spent_s(lambda: smooth_power_db(response, 6))
    theirs = spent_s(lambda: pyfar.dsp.smooth_fractional_octave(signal, 6), 1)
    yield _both("smooth 2^17 + 1 bins over 1/6 octave", ours, theirs, "pyfar, 1/6 octave")


def _decaying() -> Iterator[str]:
    """A decay of 0.60 s over noise at -60 dB, in the octaves 125 Hz to 4 kHz."""
    import pyfar
    import pyrato

    centres = [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0]
    times = np.arange(3 * RATE // 2) / RATE
    random = np.random.default_rng(5)
    rows = np.exp(-3 * np.log(10) * times / 0.6) * random.normal(size=(8, times.size))
    rows += 1e-3 * random.normal(size=rows.shape)

    def mine() -> np.ndarray:
        return decay(ImpulseResponse(rows, RATE), 0.0, centres).t20_s

    def other() -> np.ndarray:
        found = []
        for row in rows:
            bands = pyfar.dsp.filter.fractional_octave_bands(
                pyfar.Signal(row, RATE), 1, frequency_range=(125, 4000)
            )
            curve = pyrato.edc.energy_decay_curve_chu_lundeby(bands, time_shift=False)
            line = pyrato.parameters.reverberation_time_linear_regression(curve, T="T20")
            found.append(np.ravel(line))
        return np.array(found)

    yield _both("8 decays in six octaves", spent_s(mine, 2), spent_s(other, 1), "pyfar and pyrato")
    errors = [100 * np.sqrt(np.nanmean((way() / 0.6 - 1) ** 2)) for way in (mine, other)]
    ratio = f"{errors[1] / errors[0]:.2g}"
    yield LINE("  their error, rms", *(f"{e:.2f} %" for e in errors), ratio, "decay of 0.6 s known")


def _filtering() -> Iterator[str]:
    filters = tuple(Filter("peaking", 30.0 * 1.8**k, 4.0, -3.0) for k in range(10))
    tuning = Tuning(
        RATE,
        (ChannelSetting("C"),),
        (Route("C", "out"),),
        (OutputSetting("out", 1, filters=filters),),
    )
    sections = np.concatenate([filter_sections(f, RATE) for f in filters])
    programme = 0.1 * np.random.default_rng(1).normal(size=(10 * RATE, 1))
    ours = spent_s(lambda: render(tuning, programme))
    theirs = spent_s(lambda: scipy.signal.sosfilt(sections, programme[:, 0]))
    yield _both("render 10 s through ten sections", ours, theirs, "scipy.signal.sosfilt, same ones")
    found = render(tuning, programme)[:, 0]
    wanted = scipy.signal.sosfilt(sections, programme[:, 0])
    apart = np.abs(found - wanted).max() / np.abs(wanted).max()
    yield LINE("  largest difference, re the largest value", f"{apart:.0e}", "", "", "")


def _responding() -> Iterator[str]:
    tuning, grid = large_tuning(), np.geomspace(10, 20000, 1000)
    sections = [
        np.concatenate([filter_sections(f, RATE) for f in o.filters]) for o in tuning.outputs
    ]
    ours = spent_s(lambda: tuning_response(tuning, grid))
    theirs = spent_s(lambda: [scipy.signal.freqz_sos(s, grid, fs=RATE) for s in sections])
    note = "scipy.signal.freqz_sos of the filters alone"
    yield _both("response of 6 x 12 routes, 120 filters, 1000 Hz", ours, theirs, note)


def _starting() -> Iterator[str]:
    commands = start_up_cost.COMMANDS
    ours, theirs = (
        min(start_up_cost.processor_s(commands[name]) for _ in range(5))
        for name in ("roomtune --help", "import click")
    )
    yield _both("roomtune --help", ours, theirs, "a program that only imports click")


def _equalising() -> Iterator[str]:
    """The targets whose global search of 60 s is kept."""
    held = kept(equaliser.FILE)["results"]
    targets = [equaliser.target_db(seed) for seed in range(TARGETS)]
    equaliser.ours(targets[0])
    errors, times, _ = zip(*(equaliser.ours(target) for target in targets), strict=True)
    others = [held[str(seed)] for seed in range(TARGETS)]
    mine, theirs = np.median(errors), np.median([o["error_db"] for o in others])
    note = f"differential evolution (kept), median of {TARGETS}"
    ratio = f"{theirs / mine:.2g}"
    yield LINE("ten sections to a target: error", f"{mine:.3f} dB", f"{theirs:.3f} dB", ratio, note)
    spent = float(np.median([o["processor_s"] for o in others]))
    yield _both("  time for it", float(np.median(times)), spent, "as given to the search")


def _subwoofers() -> Iterator[str]:
    held = kept(subwoofers.FILE)["results"]
    for seed, other in held.items():
        room = subwoofers.room(int(seed))
        spread_db, _, taken_s, _ = subwoofers.ours(room)
        what, ratio = f"subwoofers of room {seed}: spread", f"{other['spread_db'] / spread_db:.2g}"
        note = "differential evolution (kept)"
        values = (f"{value:.2f} dB" for value in (spread_db, other["spread_db"]))
        yield LINE(what, *values, ratio, note)
        yield _both("  time for it", taken_s, other["processor_s"], "as given to the search")


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        print(*lines(), sep="\n")
