"""Crossovers of random pairs of drivers against an exhaustive search.

    python tests/benchmarks/crossovers_against_exhaustive_search.py [pairs] [first seed]

Drivers of known response: flat with a roll-off at either end, a resonance, a
level, a polarity and a place of their own, slightly different at three seats.
The exhaustive search tries every slope that the processor offers and that
protects the upper driver, on a twelfth-octave grid of frequencies, both
polarities, and every sample of delay through one and a half periods. Compared
is how far the sum at the main seat is from a perfect joint of both drivers,
rms over the two octaves about the crossover, plus 0.7 of what is lost there
because the drivers are not in phase, dB (a sum may be flat between drivers that
work against each other; that is not wanted).
"""

from __future__ import annotations

import sys
import time

import numpy as np
from numpy.typing import NDArray

from roomtune.advisor.crossovers import Choice, candidates, overlap_hz, ranked
from roomtune.advisor.joints import LOSS_WEIGHT, Pair, Slope
from roomtune.processor.filters import filter_response
from roomtune.signal.bands import log_frequencies_hz
from roomtune.system.model import Channel, Loudspeaker, Output, Playback, Processor, Seat, System

RATE_HZ = 48000
KINDS = (
    ("woofer", "tweeter", 1100.0, 3200.0),
    ("midrange", "tweeter", 1800.0, 4500.0),
    ("woofer", "midrange", 250.0, 700.0),
)
OFFERS = (
    {"Linkwitz-Riley": (2, 4, 8), "Butterworth": (1, 2, 3, 4)},
    {"Linkwitz-Riley": (4,), "Butterworth": (2, 4)},
    {"Butterworth": (1, 2, 3, 4), "Bessel": (2, 4)},
)
Complex = NDArray[np.complex128]


def drawn(seed: int) -> tuple[System, Pair, tuple[float, float]]:
    """A system of one two-way loudspeaker, its drivers' responses, where both may play."""
    draw = np.random.default_rng([seed, 31])
    lower, upper, least, most = KINDS[int(draw.integers(3))]
    middle = float(np.exp(draw.uniform(np.log(least), np.log(most))))
    width = float(draw.uniform(1.6, 2.8))
    outputs = (
        _output(1, lower, (middle / 40, middle * width)),
        _output(2, upper, (middle / width, min(middle * 20, 20e3))),
    )
    system = System(
        name="pair",
        channels=(Channel(name="C"),),
        loudspeakers=(Loudspeaker(name="centre", channel="C"),),
        outputs=outputs,
        seats=(Seat(name="one", main=True),),
        processor=Processor(crossovers=OFFERS[int(draw.integers(3))]),
    )
    overlap = overlap_hz(*outputs)
    frequencies = log_frequencies_hz(overlap[0] / 3, min(overlap[1] * 3, 20e3), 24)
    apart_s = float(draw.uniform(-0.4, 0.4)) / middle
    sounds = [
        _driver(draw, frequencies, "low pass", middle * width * float(draw.uniform(1.0, 2.0))),
        _driver(draw, frequencies, "high pass", middle / width * float(draw.uniform(0.5, 1.0))),
    ]
    turns = np.exp(-2j * np.pi * frequencies * (apart_s + 0.02 / middle * np.arange(3)[:, None]))
    pair = Pair(
        np.repeat(sounds[0][None], 3, axis=0),
        sounds[1] * turns,
        frequencies,
        apart_s,
        np.array([0.6, 0.2, 0.2]),
    )
    return system, pair, overlap


def _output(number: int, driver: str, band: tuple[float, float]) -> Output:
    return Output(
        name=driver,
        number=number,
        loudspeaker="centre",
        driver=driver,
        playback=Playback(interface_output=number),
        safe_band_hz=band,
    )


def _driver(
    draw: np.random.Generator, frequencies: NDArray[np.float64], end: str, corner_hz: float
) -> Complex:
    """Level, polarity, roll-off of order 1 to 3 and a resonance."""
    from roomtune.processor.tuning import Filter

    order = int(draw.integers(1, 4))
    roll_off = Filter(end, corner_hz, family="Butterworth", order=order)
    peak = Filter(
        "peaking",
        float(corner_hz * draw.uniform(0.5, 2)),
        float(draw.uniform(0.8, 3)),
        float(draw.uniform(-2.5, 2.5)),
    )
    gain = 10 ** (draw.uniform(-8, 8) / 20) * (-1 if draw.random() < 0.3 else 1)
    return gain * np.prod(
        [filter_response(item, 4 * RATE_HZ, frequencies) for item in (roll_off, peak)], axis=0
    )


def distances_db(pair: Pair, slope: Slope, gain_db: float, delays_s: Complex) -> Complex:
    """Distance from a perfect joint at the main seat, dB: both polarities x delays."""
    ratio = pair.frequencies_hz / slope.frequency_hz
    inside = (ratio > 0.5) & (ratio < 2)
    here = pair.frequencies_hz[inside]
    low = filter_response(slope.low_pass, RATE_HZ, here) * pair.lower[0, inside]
    gain = 10 ** (gain_db / 20)
    high = filter_response(slope.high_pass, RATE_HZ, here) * pair.upper[0, inside] * gain
    share = ratio[inside] ** 4 / (1 + ratio[inside] ** 4)
    wanted = (1 - share) * np.abs(pair.lower[0, inside])
    wanted = 20 * np.log10(wanted + share * np.abs(pair.upper[0, inside]) * gain)
    turns = np.exp(-2j * np.pi * delays_s[:, None] * here)
    sums = np.stack([low + high * turns, low - high * turns])
    level = 20 * np.log10(np.abs(sums) + 1e-12)
    in_phase = 20 * np.log10(np.abs(low) + np.abs(high) + 1e-12)
    both = 2 * np.abs(low) * np.abs(high) / (np.abs(low) ** 2 + np.abs(high) ** 2)
    lost = np.sum((in_phase - level) * both, axis=-1) / both.sum()
    return np.asarray(np.std(level - wanted, axis=-1) + LOSS_WEIGHT * lost)


def chosen_db(pair: Pair, choice: Choice) -> float:
    """The same of a choice, its delay as the processor holds it."""
    joint = choice.joints[0]
    held = np.array([round(joint.delay_ms * RATE_HZ / 1e3) / RATE_HZ])
    both = distances_db(pair, choice.slope, joint.gain_db, held)
    return float(both[int(joint.inverted), 0])


def exhaustive_db(
    system: System, pair: Pair, overlap: tuple[float, float], gains_db: dict[Slope, float]
) -> tuple[float, Slope]:
    """The least distance of all settings, and the slope that has it."""
    found = []
    for slope, gain_db in gains_db.items():
        reach = 0.75 / slope.frequency_hz
        centre, samples = -pair.delay_s, int(reach * RATE_HZ)
        delays = (round(centre * RATE_HZ) + np.arange(-samples, samples + 1)) / RATE_HZ
        found.append((float(distances_db(pair, slope, gain_db, delays).min()), slope))
    return min(found, key=lambda item: item[0])


def polarity_is_right(pair: Pair, choice: Choice) -> bool:
    """The chosen polarity adds up at the crossover, and the other one nowhere does better."""
    slope, joint = choice.slope, choice.joints[0]
    here = np.array([slope.frequency_hz])
    turn = np.exp(-2e-3j * np.pi * here * joint.delay_ms) * (-1 if joint.inverted else 1)
    low = filter_response(slope.low_pass, RATE_HZ, here) * _at(pair, pair.lower, here)
    high = filter_response(slope.high_pass, RATE_HZ, here) * _at(pair, pair.upper, here) * turn
    reach = 0.25 / slope.frequency_hz
    near = joint.delay_ms / 1e3 + np.arange(-reach, reach, 1 / RATE_HZ)
    both = distances_db(pair, slope, joint.gain_db, near).min(axis=1)
    adds_up = abs(np.angle(high / low)[0]) < np.pi / 2
    return bool(adds_up and both[int(joint.inverted)] <= both[1 - int(joint.inverted)] + 0.02)


def _at(pair: Pair, values: Complex, here: NDArray[np.float64]) -> Complex:
    phase = np.interp(here, pair.frequencies_hz, np.unwrap(np.angle(values[0])))
    level = np.interp(here, pair.frequencies_hz, np.abs(values[0]))
    return np.asarray(level * np.exp(1j * phase))


def main() -> None:
    """Print a line per pair and the summary."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    excess, wrong, taken = [], 0, 0.0
    for seed in range(first, first + count):
        system, pair, overlap = drawn(seed)
        started = time.process_time()
        tries = candidates(system, system.outputs[1], overlap, None)
        choices = ranked([pair], overlap, tries, system.processor)
        taken += time.process_time() - started
        best = choices[0]
        fine = candidates(system, system.outputs[1], overlap, None, 12)
        gains = {
            c.slope: c.joints[0].gain_db for c in ranked([pair], overlap, fine, system.processor)
        }
        least, slope = exhaustive_db(system, pair, overlap, gains)
        own, right = chosen_db(pair, best), polarity_is_right(pair, best)
        excess.append(own - least)
        wrong += not right
        print(
            f"{seed:3d}: {best.slope}: {own:.2f} dB; exhaustive {slope}: {least:.2f} dB"
            f"; {own - least:+.2f}" + ("" if right else "; POLARITY"),
            flush=True,
        )
    print(
        f"beyond the exhaustive search: median {np.median(excess):.2f}, "
        f"worst {max(excess):.2f} dB, "
        f"over 0.2 dB in {sum(e > 0.2 for e in excess)} of {count}; "
        f"polarity wrong in {wrong}; {taken / count:.2f} s each"
    )


if __name__ == "__main__":
    main()
