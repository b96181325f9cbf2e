"""Programme files rendered through tunings, against the prediction and against scipy.

    python tests/benchmarks/rendering_against_scipy.py [systems]

The textbook tunings of random systems, with ten random filters on every output.
A programme file (noise, float64 WAV, read back) is rendered; its spectrum is
held against that of the programme times the predicted response, and one output
against scipy.signal.sosfilt: over our sections, and over sections that scipy and
the W3C formulas give without our code (which differ in the last bit of a
coefficient, and that counts for filters near 30 Hz). Largest differences, re the
largest value.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from roomtune.advisor.starting import starting_tuning
from roomtune.processor.filters import filter_sections
from roomtune.processor.rendering import render
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning
from roomtune.virtual.random import random_scenario

RATE_HZ, LENGTH = 48000, 1 << 17
PI = np.arccos(np.longdouble(-1))


def peaking(draw: np.random.Generator) -> Filter:
    """A random peaking filter."""
    frequency = float(np.exp(draw.uniform(np.log(30), np.log(12000))))
    return Filter("peaking", frequency, float(draw.uniform(0.5, 6)), float(draw.uniform(-10, 5)))


def cookbook(item: Filter) -> list[float]:
    """The section of a peaking filter by the W3C Audio EQ Cookbook, written out again.

    In extended precision, because low filters lose digits in 1 - cos w.
    """
    a = np.longdouble(10) ** (np.longdouble(item.gain_db) / 40)
    w = 2 * PI * np.longdouble(item.frequency_hz) / RATE_HZ
    alpha = np.sin(w) / (2 * item.q)
    b = np.array([1 + alpha * a, -2 * np.cos(w), 1 - alpha * a])
    rest = np.array([1 + alpha / a, -2 * np.cos(w), 1 - alpha / a])
    return [float(value) for value in (*(b / rest[0]), *(rest / rest[0]))]


def against_prediction(seed: int, folder: Path) -> float:
    """Rendered against predicted spectra of a whole system, relative."""
    draw = np.random.default_rng(seed)
    _, system = random_scenario(seed)
    plain = starting_tuning(system)
    outputs = tuple(
        replace(
            o,
            filters=(*o.filters, *(peaking(draw) for _ in range(10))),
            delay_ms=float(draw.uniform(0, 15)),
            inverted=bool(draw.random() < 0.3),
            limiter=None,
        )
        for o in plain.outputs
    )
    tuning = replace(plain, outputs=outputs)
    programme = np.zeros((LENGTH, len(tuning.channels)))
    programme[: LENGTH // 4] = draw.normal(size=(LENGTH // 4, len(tuning.channels))) * 0.1
    file = folder / f"{seed}.wav"
    soundfile.write(file, programme, RATE_HZ, subtype="DOUBLE")
    read, _ = soundfile.read(file, always_2d=True)
    found = np.fft.rfft(render(tuning, read), axis=0)
    response = tuning_response(tuning, np.fft.rfftfreq(LENGTH, 1 / RATE_HZ))
    wanted = np.einsum("kc,cok->ko", np.fft.rfft(read, axis=0), response)
    return float(np.abs(found - wanted).max() / np.abs(wanted).max())


def against_scipy(seed: int) -> tuple[float, float]:
    """One output against scipy's cascade over our sections and over others', relative."""
    draw = np.random.default_rng([seed, 5])
    items = [peaking(draw) for _ in range(10)]
    corner = float(draw.uniform(200, 3000))
    crossover = Filter("low pass", corner, family="Linkwitz-Riley", order=4)
    tuning = Tuning(
        RATE_HZ,
        (ChannelSetting("C"),),
        (Route("C", "out"),),
        (OutputSetting("out", 1, filters=(crossover, *items)),),
    )
    half = butter(2, corner, fs=RATE_HZ, output="sos")
    sections = np.array([*half, *half, *(cookbook(item) for item in items)])
    programme = draw.normal(size=(RATE_HZ, 1)) * 0.1
    ours = np.concatenate([filter_sections(f, RATE_HZ) for f in (crossover, *items)])
    found = render(tuning, programme)[:, 0]
    wanted = [sosfilt(rows, programme[:, 0]) for rows in (ours, sections)]
    first, other = (float(np.abs(found - w).max() / np.abs(w).max()) for w in wanted)
    return first, other


def main() -> None:
    """Print the largest differences."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    with tempfile.TemporaryDirectory() as folder:
        ours = [against_prediction(seed, Path(folder)) for seed in range(count)]
    theirs = [against_scipy(seed) for seed in range(count)]
    print(f"{count} systems: rendered against predicted {max(ours):.1e} (allowed 1e-9)")
    same, other = np.max(theirs, axis=0)
    print(f"{count} outputs: rendered against scipy.signal.sosfilt {same:.1e} (allowed 1e-12)")
    print(f"the same with sections by scipy and the W3C formulas: {other:.1e}")


if __name__ == "__main__":
    main()
