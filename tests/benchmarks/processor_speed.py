"""Speed of rendering, prediction and gradients. Run: python tests/benchmarks/processor_speed.py."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from roomtune.processor.gradient import sections_level_and_gradient, sections_level_db
from roomtune.processor.rendering import render
from roomtune.processor.response import tuning_response
from roomtune.processor.tuning import ChannelSetting, Filter, OutputSetting, Route, Tuning

NAMES = ("L", "R", "C", "LFE", "Ls", "Rs")


def large_tuning() -> Tuning:
    """6 channels, 12 outputs, 72 routes, 120 peaking filters at 48 kHz."""
    outputs = tuple(
        OutputSetting(
            f"output {place}",
            place + 1,
            gain_db=-3.0,
            delay_ms=0.37 * place,
            filters=tuple(
                Filter("peaking", 30.0 * 1.8**k * 1.03**place, 4.0, -3.0) for k in range(10)
            ),
        )
        for place in range(12)
    )
    channels = tuple(ChannelSetting(name) for name in NAMES)
    routes = tuple(Route(name, o.name, gain_db=-6.0) for name in NAMES for o in outputs)
    return Tuning(48000.0, channels, routes, outputs)


def seconds(task: Callable[[], object], repeats: int = 5) -> float:
    """Median time of a task after one run to warm up."""
    task()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print one line for each figure."""
    rng = np.random.default_rng(1)
    tuning = large_tuning()
    programme = rng.normal(size=(10 * 48000, 6)) * 0.1
    spent = seconds(lambda: render(tuning, programme), 3)
    print(f"render 12 outputs, 6 channels, 120 filters, 10 s: {10 / spent:.0f} x real time")
    alone = programme * np.eye(6)[0]
    spent = seconds(lambda: render(tuning, alone), 3)
    print(f"the same with one channel sounding: {10 / spent:.0f} x real time")
    grid = np.geomspace(10, 20000, 1000)
    spent = seconds(lambda: tuning_response(tuning, grid))
    print(f"response of that tuning at 1000 frequencies: {spent * 1e3:.2f} ms")
    types = ["peaking"] * 8 + ["low shelf", "high shelf"]
    values = np.stack(
        [np.geomspace(30, 15000, 10), rng.uniform(0.5, 8, 10), rng.uniform(-9, 9, 10)], axis=1
    )
    points = np.geomspace(20, 20000, 200)
    spent = seconds(lambda: sections_level_db(types, values, points, 48000.0), 200)
    print(f"levels of 10 sections at 200 frequencies: {spent * 1e6:.0f} us")
    spent = seconds(lambda: sections_level_and_gradient(types, values, points, 48000.0), 200)
    print(f"levels and gradient of the same: {spent * 1e6:.0f} us")


if __name__ == "__main__":
    main()
