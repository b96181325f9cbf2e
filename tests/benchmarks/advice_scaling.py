"""How the time of the whole advice grows with outputs and seats.

    python tests/benchmarks/advice_scaling.py [sizes]

Synthetic systems of three-way loudspeakers and up to four subwoofers in rooms
made of a few reflections and a decaying tail. Processor time, so that a loaded
machine is fair; per output and seat it should not rise. How much of it the
arrivals of direct sounds take is told apart. A number limits the sizes tried.
"""

from __future__ import annotations

import sys
import time

import numpy as np

import roomtune.analysis.direct_sound as direct_sound
from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.planning import plan
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import Channel, Loudspeaker, Output, Playback, Processor, Seat, System

RATE, LENGTH = 48000.0, 24000
WAYS = (("woofer", 45.0, 3000.0), ("midrange", 150.0, 8000.0), ("tweeter", 900.0, 22000.0))
NAMES = ("L", "R", "C", "Ls", "Rs", "Lb", "Rb", "Lw", "Rw", "X")
SIZES = ((8, 4), (12, 6), (16, 8), (24, 12), (32, 24), (12, 12), (12, 24), (24, 6), (32, 6))


def a_system(outputs: int, seats: int) -> System:
    """Three-way loudspeakers as many as fit, the rest subwoofers."""
    count = (outputs - 2) // 3
    drivers = [(f"speaker {n}", kind, low, high) for n in range(count) for kind, low, high in WAYS]
    drivers += [(f"sub {n}", "subwoofer", 18.0, 300.0) for n in range(outputs - 3 * count)]
    return System(
        name=f"{outputs} outputs",
        channels=(
            *(Channel(name=NAMES[n]) for n in range(count)),
            Channel(name="LFE", kind="low frequency effects"),
        ),
        loudspeakers=(
            *(Loudspeaker(name=f"speaker {n}", channel=NAMES[n]) for n in range(count)),
            *(Loudspeaker(name=f"sub {n}") for n in range(outputs - 3 * count)),
        ),
        outputs=tuple(
            Output(
                name=f"{name} {kind}",
                number=number,
                loudspeaker=name,
                driver=kind,
                playback=Playback(interface_output=number),
                safe_band_hz=(low, high),
            )
            for number, (name, kind, low, high) in enumerate(drivers, start=1)
        ),
        seats=tuple(Seat(name=f"seat {n}", main=n == 0) for n in range(seats)),
        processor=Processor(filters_per_output=10),
    )


def measured_of(system: System) -> Measured:
    """Band-limited drivers with reflections and a tail, different at every seat."""
    random = np.random.default_rng([len(system.outputs), len(system.seats)])
    grid = np.fft.rfftfreq(LENGTH, 1 / RATE)
    moments = np.arange(LENGTH) / RATE
    samples = np.empty((len(system.outputs), len(system.seats), LENGTH))
    for place, output in enumerate(system.outputs):
        low, high = output.safe_band_hz
        s = 1j * np.maximum(grid, 1.0)
        driver = (s / low) ** 2 / (1 + 1.4 * s / low + (s / low) ** 2)
        driver = driver / (1 + 1.4 * s / high + (s / high) ** 2)
        for seat in range(len(system.seats)):
            first = 0.008 + 0.006 * random.random()
            tail = random.standard_normal(LENGTH) * np.exp(-moments / 0.06) * 0.01
            path = np.roll(tail, int(first * RATE))
            path[: int(first * RATE) + 40] = 0.0
            spectrum = np.fft.rfft(path) + np.exp(-2j * np.pi * grid * first)
            for _ in range(6):
                later = first + 0.001 + 0.02 * random.random()
                spectrum += random.uniform(-0.35, 0.35) * np.exp(-2j * np.pi * grid * later)
            samples[place, seat] = np.fft.irfft(driver * spectrum, LENGTH)
    return measured_from_responses(system, ImpulseResponse(samples, RATE, 0.0, "Pa"))


def plan_of(outputs: int, seats: int) -> tuple[float, float]:
    """Processor time of the advice, and of the direct sounds in it, s."""
    system = a_system(outputs, seats)
    measured = measured_of(system)
    spent, original = [0.0], direct_sound.direct_sounds

    def timed(*arguments: object) -> direct_sound.DirectSounds:
        began = time.process_time()
        found = original(*arguments)  # type: ignore[arg-type]
        spent[0] += time.process_time() - began
        return found

    direct_sound.direct_sounds = timed
    started = time.process_time()
    plan(system, measured)
    taken = time.process_time() - started
    direct_sound.direct_sounds = original
    return taken, spent[0]


def main() -> None:
    """One line per size."""
    plan_of(8, 2)
    for outputs, seats in SIZES[: int((sys.argv[1:] or [len(SIZES)])[0])]:
        taken, arrivals = plan_of(outputs, seats)
        print(
            f"{outputs:2d} outputs, {seats:2d} seats: {taken:5.1f} s of processor time, "
            f"{1e3 * taken / outputs / seats:5.1f} ms per output and seat; "
            f"arrivals {arrivals:.1f} s, the rest {taken - arrivals:.1f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
