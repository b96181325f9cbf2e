"""Advice from noisy takes and from fewer seats, judged in the true room.

    python tests/benchmarks/advice_robustness.py [scenarios]

The true responses of the shipped scenarios, plus noise that leaves a
signal-to-noise ratio of 20 dB in every third of an octave that an output plays
(as strong as that of a recovered response, told to the advisor as its
uncertainty). The advice is scored with the true responses: deviation from the
target against that of advice from noiseless takes. Then every seat but the
main one is left out in turn, and the seat-to-target deviation there is
compared with that of the advice that knew the seat. At last the advice is
repeated and compared bit by bit.
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

RANGE_DB = 20.0


def noisy(system: System, measured: Measured, seed: int = 1) -> Measured:
    """The same with noise 20 dB below each response's own power in its band."""
    random = np.random.default_rng(seed)
    responses = measured.responses
    samples = responses.samples.copy()
    grid = np.fft.rfftfreq(samples.shape[-1], 1 / responses.sample_rate_hz)
    for output in range(samples.shape[0]):
        low, high = measured.bands_hz[output]
        inside = (grid >= low) & (grid <= high)
        for seat in range(samples.shape[1]):
            spectrum = np.fft.rfft(samples[output, seat])
            power = np.mean(np.abs(spectrum[inside]) ** 2)
            noise = random.standard_normal((2, len(grid))) * np.sqrt(power / 2)
            spectrum += (noise[0] + 1j * noise[1]) * 10 ** (-RANGE_DB / 20)
            samples[output, seat] = np.fft.irfft(spectrum, samples.shape[-1])
    changed = ImpulseResponse(samples, responses.sample_rate_hz, responses.start_s, responses.unit)
    return measured_from_responses(system, changed, range_db=RANGE_DB)


def deviation_db(system: System, tuning: Tuning, measured: Measured) -> float:
    """Deviation from the target that a tuning gives in truth."""
    return float(prediction_scores(system, predict(tuning, measured)).deviation_db)


def main() -> None:
    """Three lines per scenario."""
    for name in sys.argv[1:] or ("attic-stereo", "garden-studio"):
        system = read_system(scenarios.SHIPPED / name / "system.toml")
        measured = truth(system, VirtualRoom(load_scenario(name), system).quiet())
        advice = plan(system, measured)
        best = deviation_db(system, advice.tuning, measured)
        with_noise = plan(system, noisy(system, measured))
        rough = deviation_db(system, with_noise.tuning, measured)
        print(
            f"{name}: {best:.3f} dB off the target from noiseless takes, {rough:.3f} dB at "
            f"{RANGE_DB:.0f} dB ({100 * (rough / best - 1):+.1f} %)",
            flush=True,
        )
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
