"""How often a planted mistake is found and named, and how often a clean tuning is blamed.

    python tests/benchmarks/verification_trial.py [cases] [signal-to-noise in dB]

Every case has its own synthetic room, tuning and mistake. A mistake is only
planted where it changes some third-octave band by 2.5 dB or more, turns an
output over, moves one by 0.3 ms or more, or exchanges two outputs.
"""

from __future__ import annotations

import pathlib
import sys
from dataclasses import replace

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "session"))
import conftest as rooms

from roomtune.advisor.measured import measured_from_responses
from roomtune.advisor.prediction import predict
from roomtune.processor.filters import filter_response
from roomtune.processor.tuning import Filter, Tuning
from roomtune.session.verification import verify
from roomtune.signal.values import ImpulseResponse

KINDS = ("filter", "delay", "polarity", "gain", "exchanged outputs", "sample rate")
FREQUENCIES_HZ = np.geomspace(30, 16000, 300)


def make_bench(seed: int) -> rooms.Bench:
    """A room and a tuning of their own."""
    system = rooms.make_system()
    responses = ImpulseResponse(rooms.make_responses(system, seed), rooms.RATE)
    measured = measured_from_responses(system, responses)
    tuning = rooms.make_tuning(system, seed)
    return rooms.Bench(system, measured, tuning, predict(tuning, measured))


def with_output(tuning: Tuning, name: str, **changes: object) -> Tuning:
    """The tuning with one output changed."""
    outputs = tuple(replace(o, **changes) if o.name == name else o for o in tuning.outputs)
    return replace(tuning, outputs=outputs)


def mistyped(random: np.random.Generator, item: Filter) -> Filter:
    """A slip of the finger: the decimal point, two digits, the sign, or forgotten."""
    assert item.frequency_hz is not None
    choices = [
        replace(item, frequency_hz=item.frequency_hz * float(random.choice([0.1, 10]))),
        replace(item, frequency_hz=item.frequency_hz * float(random.uniform(1.25, 2))),
        replace(item, frequency_hz=item.frequency_hz / float(random.uniform(1.25, 2))),
    ]
    if item.gain_db:
        choices += [replace(item, gain_db=-item.gain_db), replace(item, gain_db=0.0)]
    return choices[random.integers(len(choices))]


def plant_filter(random: np.random.Generator, tuning: Tuning) -> tuple[Tuning, tuple[str, ...]]:
    """One filter of one output mistyped so that it matters in the output's band."""
    while True:
        output = tuning.outputs[random.integers(len(tuning.outputs))]
        place = int(random.integers(len(output.filters)))
        item = output.filters[place]
        wrong = mistyped(random, item)
        if not 15 < (wrong.frequency_hz or 0) < 20000:
            continue
        whole = np.prod(
            [filter_response(f, 48000.0, FREQUENCIES_HZ) for f in output.filters], axis=0
        )
        change = filter_response(wrong, 48000.0, FREQUENCIES_HZ) / filter_response(
            item, 48000.0, FREQUENCIES_HZ
        )
        heard = np.abs(whole) > 0.3
        strong = np.abs(20 * np.log10(np.abs(change))) * heard > 2.5
        if strong.sum() > 10:
            filters = list(output.filters)
            filters[place] = wrong
            changed = with_output(tuning, output.name, filters=tuple(filters))
            return changed, (f"({output.name}), filter {place + 1} ",)


def plant(
    kind: str, random: np.random.Generator, tuning: Tuning
) -> tuple[Tuning, float, tuple[str, ...]]:
    """A mistake of that kind: the tuning, the processor's rate, and what must be named."""
    output = tuning.outputs[random.integers(len(tuning.outputs))]
    name = (f"({output.name})",)
    if kind == "filter":
        changed, words = plant_filter(random, tuning)
        return changed, 48000.0, words
    if kind == "delay":
        slow = [o for o in tuning.outputs if o.delay_ms > 0.3]
        output = slow[random.integers(len(slow))]
        return (
            with_output(tuning, output.name, delay_ms=0.0),
            48000.0,
            (f"({output.name})", "missing"),
        )
    if kind == "polarity":
        return with_output(tuning, output.name, inverted=not output.inverted), 48000.0, name
    if kind == "gain":
        size = float(random.uniform(1.5, 6) * random.choice([-1, 1]))
        return with_output(tuning, output.name, gain_db=output.gain_db + size), 48000.0, name
    if kind == "exchanged outputs":
        first, second = random.choice(len(tuning.outputs), 2, replace=False)
        return (
            exchanged(tuning, first, second),
            48000.0,
            tuple(f"({tuning.outputs[i].name})" for i in (first, second)),
        )
    rate = float(random.choice([44100.0, 96000.0, 88200.0]))
    return tuning, rate, (f"{rate:g} Hz",)


def exchanged(tuning: Tuning, first: int, second: int) -> Tuning:
    """Everything of two outputs, routes included, in each other's place."""
    names = [o.name for o in tuning.outputs]
    swap = {names[first]: names[second], names[second]: names[first]}
    outputs = []
    for output in tuning.outputs:
        other = tuning.output(swap.get(output.name, output.name))
        outputs.append(replace(other, name=output.name, number=output.number))
    routes = tuple(replace(r, output=swap.get(r.output, r.output)) for r in tuning.routes)
    return replace(tuning, outputs=tuple(outputs), routes=routes)


def run(cases: int, snr_db: float) -> tuple[int, int]:
    """Number of mistakes named, and of clean cases passed."""
    named = passed = 0
    for case in range(cases):
        bench = make_bench(case)
        random = np.random.default_rng(1000 + case)
        kind = KINDS[case % len(KINDS)]
        wrong, rate, words = plant(kind, random, bench.tuning)
        result = check(bench, wrong, rate, snr_db, case)
        first = result.diagnosis[0] if result.diagnosis else None
        right = first is not None and first.kind == kind and all(w in first.text for w in words)
        named += right
        if not right:
            print(f"case {case}: planted {kind} {words}; {result.summary}")
        clean = check(bench, bench.tuning, 48000.0, snr_db, case + 500)
        passed += clean.passed
        if not clean.passed:
            print(f"case {case}: clean, but {clean.summary}")
    return named, passed


def check(bench: rooms.Bench, tuning: Tuning, rate: float, snr_db: float, seed: int):  # type: ignore[no-untyped-def]
    """Verify takes through `tuning`, clocked at `rate`, against the right prediction."""
    takes = bench.takes(tuning, snr_db=snr_db, seed=seed, clock_hz=rate)
    return verify(
        bench.system, bench.prediction, takes, tuning=bench.tuning, measured=bench.measured
    )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    ratio = float(sys.argv[2]) if len(sys.argv) > 2 else 30.0
    found, quiet = run(count, ratio)
    print(f"named {found} of {count}; clean ones passed {quiet} of {count} at {ratio:g} dB")
