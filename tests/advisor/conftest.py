"""Synthetic loudspeakers in simple surroundings, with everything about them known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfreqz

from roomtune.advisor.aims import Aims, base_gains, problem_for
from roomtune.advisor.measured import Measured, measured_from_responses
from roomtune.advisor.objective import cost_of
from roomtune.advisor.starting import starting_tuning
from roomtune.advisor.state import neutral
from roomtune.processor.tuning import Tuning
from roomtune.signal.values import ImpulseResponse
from roomtune.system.model import (
    Channel,
    Loudspeaker,
    Output,
    Playback,
    Processor,
    Seat,
    System,
    Target,
)

RATE = 48000.0
LENGTH = 24000


@dataclass(frozen=True)
class Driver:
    """An ideal driver: Butterworth ends of its band, gain, delay at every seat, polarity."""

    low_hz: float | None = None
    low_order: int = 2
    high_hz: float | None = None
    high_order: int = 2
    gain_db: float = 0.0
    delays_ms: tuple[float, ...] = (5.0,)
    reversed: bool = False
    echoes: tuple[tuple[float, float], ...] = field(default=())


def driver_samples(driver: Driver, seat: int) -> NDArray[np.float64]:
    """Impulse response (LENGTH,) of a driver at a seat; echoes are (delay ms, gain)."""
    frequencies = np.fft.rfftfreq(LENGTH, 1 / RATE)
    response = np.ones(len(frequencies), dtype=complex)
    if driver.low_hz:
        sos = butter(driver.low_order, driver.low_hz, "highpass", fs=RATE, output="sos")
        response = response * sosfreqz(sos, frequencies, fs=RATE)[1]
    if driver.high_hz:
        sos = butter(driver.high_order, driver.high_hz, "lowpass", fs=RATE, output="sos")
        response = response * sosfreqz(sos, frequencies, fs=RATE)[1]
    sign = -1.0 if driver.reversed else 1.0
    response = response * sign * 10 ** (driver.gain_db / 20)
    delay = driver.delays_ms[seat % len(driver.delays_ms)]
    paths = [(delay, 1.0), *((delay + extra, gain) for extra, gain in driver.echoes)]
    turns = sum(g * np.exp(-2e-3j * np.pi * d * frequencies) for d, g in paths)
    return np.fft.irfft(response * turns, LENGTH)


def measured_drivers(
    system: System, drivers: dict[str, Driver], range_db: float = 90.0
) -> Measured:
    """What would be measured of ideal drivers, per output of the system."""
    samples = [
        [driver_samples(drivers[output.name], seat) for seat in range(len(system.seats))]
        for output in system.outputs
    ]
    return measured_from_responses(
        system, ImpulseResponse(np.array(samples), RATE, 0.0, "Pa"), range_db=range_db
    )


def an_output(number: int, name: str, loudspeaker: str, driver: str, low: float, high: float):
    """An output with the given safe band."""
    return Output(
        name=name,
        number=number,
        loudspeaker=loudspeaker,
        driver=driver,
        playback=Playback(interface_output=number),
        safe_band_hz=(low, high),
    )


def a_system(seats: int = 2, **changes: object) -> System:
    """Two-way left and right with two subwoofers."""
    outputs = (
        an_output(1, "left low", "left", "woofer", 40, 6000),
        an_output(2, "left high", "left", "tweeter", 900, 20000),
        an_output(3, "right low", "right", "woofer", 40, 6000),
        an_output(4, "right high", "right", "tweeter", 900, 20000),
        an_output(5, "sub one", "sub one", "subwoofer", 16, 300),
        an_output(6, "sub two", "sub two", "subwoofer", 16, 300),
    )
    values: dict[str, object] = {
        "name": "ideal",
        "channels": (
            Channel(name="L"),
            Channel(name="R"),
            Channel(name="LFE", kind="low frequency effects"),
        ),
        "loudspeakers": (
            Loudspeaker(name="left", channel="L"),
            Loudspeaker(name="right", channel="R"),
            Loudspeaker(name="sub one"),
            Loudspeaker(name="sub two"),
        ),
        "outputs": outputs,
        "seats": tuple(
            Seat(name=f"seat {n}", main=n == 0, weight=2.0 if n == 0 else 1.0) for n in range(seats)
        ),
        "processor": Processor(filters_per_output=8),
        "target": Target(tilt_db_per_octave=0.0, bass_lift_db=0.0),
    }
    return System(**{**values, **changes})


def a_system_of_three(*outputs: Output, **changes: object) -> System:
    """Loudspeakers left, right and centre with the given outputs, and a channel LFE."""
    names = (("left", "L"), ("right", "R"), ("centre", "C"))
    return a_system(
        channels=(
            *(Channel(name=channel) for _, channel in names),
            Channel(name="LFE", kind="low frequency effects"),
        ),
        loudspeakers=tuple(Loudspeaker(name=name, channel=channel) for name, channel in names),
        outputs=outputs,
        **changes,
    )


def ideal_drivers(seats: int = 2) -> dict[str, Driver]:
    """Drivers for `a_system`: different gains and delays, nothing reversed."""
    near = tuple(4.0 + 0.3 * n for n in range(seats))
    far = tuple(4.6 - 0.25 * n for n in range(seats))
    return {
        "left low": Driver(55, 2, 7000, 2, 0.0, near),
        "left high": Driver(700, 2, None, 2, 4.0, tuple(d - 0.05 for d in near)),
        "right low": Driver(55, 2, 7000, 2, -2.0, far),
        "right high": Driver(700, 2, None, 2, 3.0, tuple(d - 0.05 for d in far)),
        "sub one": Driver(25, 2, 500, 2, 3.0, tuple(6.0 + 0.4 * n for n in range(seats))),
        "sub two": Driver(25, 2, 500, 2, 1.0, tuple(9.0 - 0.6 * n for n in range(seats))),
    }


def whole_cost(aims: Aims, tuning: Tuning) -> float:
    """What a tuning leaves over of the aims, its delays as the processor holds them."""
    problem = problem_for(aims, starting_tuning(aims.system))
    base = base_gains(aims, tuning, whole_samples=True)
    return cost_of(replace(problem, base=base), neutral(len(aims.model.outputs)))


@dataclass(frozen=True)
class Workshop:
    """The helpers above, handed to tests."""

    driver: type[Driver] = Driver
    samples: Callable[..., NDArray[np.float64]] = driver_samples
    measured: Callable[..., Measured] = measured_drivers
    output: Callable[..., Output] = an_output
    system: Callable[..., System] = a_system
    system_of_three: Callable[..., System] = a_system_of_three
    drivers: Callable[..., dict[str, Driver]] = ideal_drivers
    whole_cost: Callable[[Aims, Tuning], float] = whole_cost
    rate_hz: float = RATE


@pytest.fixture(scope="session")
def workshop() -> Workshop:
    """Ideal systems and what is measured of them."""
    return Workshop()
