"""Advice from noisy takes and from fewer seats, judged in the true room.

    python tests/benchmarks/advice_robustness.py [scenarios]

The true responses of the shipped scenarios, plus noise of 20 dB signal-to-noise in
the recovered responses: white, 20 dB below the mean power of each response in the
band that its output was measured in, through the whole of its length, told to the
advisor as its uncertainty. (A recording of a sweep of D seconds has 10 lg(D / length)
less, so this is about 13 dB in the recording of a sweep of five seconds.) The advice is
scored with the true responses: deviation from the target against that of advice from
noiseless takes, for several noises; and with noise at 60 dB, which explains nothing
itself: what remains there is by which way the search went. Then every seat but the
main one is left out in turn, and the seat-to-target deviation there is compared with
that of the advice that knew the seat. At last the advice is repeated and compared bit
by bit.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from advice_never_worse import truth

import roomtune.virtual.scenario as scenarios
from roomtune.advisor.explaining import prediction_scores
from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.planning import plan
from roomtune.advisor.prediction import predict
from roomtune.processor.tuning import Tuning
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import System
from roomtune.system.reading import read_system
from roomtune.virtual import VirtualRoom, load_scenario

TRIALS = ((20.0, 1), (20.0, 2), (20.0, 3), (60.0, 1), (60.0, 2))


def noisy(system: System, measured: Measured, range_db: float, seed: int) -> Measured:
    """The same with noise so far below each response's mean power in its band."""
    random = np.random.default_rng(seed)
    quiet = measured.responses
    told = measured_from_responses(system, quiet, measured.seats, range_db)
    count = quiet.samples.shape[-1]
    noise = random.standard_normal(quiet.samples.shape) * told.noise_at([1000.0])
    samples = quiet.samples + noise / np.sqrt(count)
    heard = ImpulseResponse(samples, quiet.sample_rate_hz, quiet.start_s, quiet.unit)
    return replace(told, responses=heard)


def deviation_db(system: System, tuning: Tuning, measured: Measured) -> float:
    """Deviation from the target that a tuning gives in truth."""
    return float(prediction_scores(system, predict(tuning, measured)).deviation_db)


def main() -> None:
    """Some lines per scenario."""
    for name in sys.argv[1:] or ("attic-stereo", "garden-studio"):
        system = read_system(scenarios.SHIPPED / name / "system.toml")
        measured = truth(system, VirtualRoom(load_scenario(name), system).quiet())
        advice = plan(system, measured)
        best = deviation_db(system, advice.tuning, measured)
        print(f"{name}: {best:.3f} dB off the target from noiseless takes", flush=True)
        for range_db, seed in TRIALS:
            with_noise = plan(system, noisy(system, measured, range_db, seed))
            rough = deviation_db(system, with_noise.tuning, measured)
            more = 100 * (rough / best - 1)
            print(f"  noise at {range_db:.0f} dB: {rough:.3f} dB ({more:+.1f} %)", flush=True)
        for seat in system.seats:
            if not seat.main:
                print("  " + left_out(system, measured, advice.tuning, seat.name), flush=True)
        again = plan(system, measured)
        same = again.tuning == advice.tuning and np.array_equal(
            again.prediction.response.values, advice.prediction.response.values
        )
        print(f"  repeated: {'the same bits' if same else 'NOT THE SAME'}", flush=True)


def left_out(system: System, measured: Measured, full: Tuning, seat: str) -> str:
    """What advice without a seat does there, against advice that knew it."""
    rest = [s for s in measured.seats if s != seat]
    without = plan(system, measured.selected(rest)).tuning
    alone = system.model_copy(
        update={
            "seats": tuple(
                s.model_copy(update={"main": s.name == seat})
                for s in system.seats
                if s.name == seat
            )
        }
    )
    there = replace(measured.selected([seat]))
    known, unknown = (deviation_db(alone, tuning, there) for tuning in (full, without))
    return f"{seat}: {known:.2f} dB when it was measured, {unknown:.2f} dB when it was left out"


if __name__ == "__main__":
    main()
