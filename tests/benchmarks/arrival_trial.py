"""Arrival and polarity of seeded synthetic drivers against the Cramer-Rao bound.

    python tests/benchmarks/arrival_trial.py [DRIVERS] [SEED] [PART ...]

Parts: white, pink, responses, unlike, polarity; all take half an hour.

Takes at 40 dB: the 3 s sweep of `roomtune measure` through driver and room, white or
pink noise whose root mean square over the whole band (0 to 24 kHz; pink from 10 Hz on) is
40 dB below that of the recorded sweep while it sounds, deconvolved; the band is that in
which the take is valid. In free field, and among twelve strong reflections.

Impulse responses at 40 dB, the strictest reading: the peak of the direct sound over the
root mean square noise in the played band. Root mean square error, share within the stated
and twice the stated uncertainty, and the smallest standard error that any method could
have in free field (driver's orders known, everything else unknown, nothing known of the
level outside the played band). Then drivers unlike the model, three tenths as many of
each. Then polarity at 20 dB, drivers of every kind in turn.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from roomtune.analysis.arrival import arrival
from roomtune.analysis.driver_fit import driver_log_model
from roomtune.analysis.polarity import polarity
from roomtune.signal.values import ImpulseResponse

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))
import conftest as drivers


def fixture(item: Any) -> Any:
    """The function that a fixture without arguments gives."""
    return getattr(item, "__wrapped__", None) or item.__pytest_wrapped__.obj


make = fixture(drivers.synthetic_driver)()
take = fixture(drivers.synthetic_take)()
KINDS = drivers.KINDS
SNR_DB = 40
Hear = Callable[..., tuple[ImpulseResponse, tuple[float, float]]]
reflections = fixture(drivers.some_reflections)()


def strict(kind: drivers.Kind, *how: Any) -> tuple[ImpulseResponse, tuple[float, float]]:
    """An impulse response in noise as it stands, and the band played."""
    return make(kind, *how), kind.band_hz


def bound_s(kind: drivers.Kind, snr_db: float, count: int = 1 << 15) -> float:
    """Cramer-Rao bound of the delay in free field, orders known (from the Fisher matrix).

    From the played band alone: in the fades outside it nobody knows the level.
    """
    frequencies = np.fft.rfftfreq(count, 1 / drivers.RATE)
    played = drivers.band(frequencies, kind.band_hz)
    peak = np.max(np.abs(np.fft.irfft(kind.response(frequencies) * played)))
    variance = (peak * 10 ** (-snr_db / 20)) ** 2 / (2 * np.sum(played**2) / count)
    heard = (frequencies >= kind.band_hz[0]) & (frequencies <= kind.band_hz[1])
    ends = [np.log(kind.low[0]), np.log(kind.low[1]), 2.0]
    ends += [np.log(kind.high[0]), np.log(kind.high[1]), float(kind.high[2])]
    _, slopes = driver_log_model(np.array([0.0, 0.0, *ends]), 2j * np.pi * frequencies[heard])
    columns = (slopes * kind.response(frequencies[heard])[:, None])[:, [0, 1, 2, 3, 5, 6]]
    information = 2 * np.real(columns.conj().T @ columns) / (count * variance)
    return float(np.sqrt(np.linalg.inv(information)[1, 1]))


def arrivals(kinds: dict[str, drivers.Kind], trials: int, seed: int, hear: Hear = strict) -> None:
    """Print the errors of every kind, in free field and among reflections."""
    for name, kind in kinds.items():
        bounded = hear is strict and kind in KINDS.values()
        bound = f"bound {1e6 * bound_s(kind, SNR_DB):5.2f}; " if bounded else ""
        for among in (False, True):
            rng = np.random.default_rng(seed)
            errors, stated = [], []
            for time_s in rng.uniform(2e-3, 15e-3, trials):
                rays = reflections(kind, rng) if among else ()
                heard, band_hz = hear(kind, time_s, rng.choice([-1, 1]), SNR_DB, rays, rng)
                found = arrival(heard, band_hz)
                errors.append(abs(float(found.time_s) - time_s) * 1e6)
                stated.append(float(found.uncertainty_s) * 1e6)
            show(f"{name:28} {'reflections' if among else 'free field '}", errors, stated, bound)


def show(name: str, errors_us: list[float], stated_us: list[float], bound: str) -> None:
    """Print one line of figures."""
    error, spread = np.array(errors_us), np.array(stated_us)
    print(
        f"{name} rms {np.sqrt(np.mean(error**2)):7.2f} us, "
        f"95 % {np.quantile(error, 0.95):7.2f}, largest {error.max():7.2f}; "
        f"{bound}stated {np.median(spread):7.2f}, "
        f"within 1, 2 of it: {np.mean(error < spread):.2f}, {np.mean(error < 2 * spread):.2f}",
        flush=True,
    )


def polarities(trials: int, seed: int = 1, snr_db: float = 20.0) -> None:
    """Print how many signs are right of ten times as many drivers, and which are not."""
    trials *= 10
    rng = np.random.default_rng(seed)
    wrong = []
    for number in range(trials):
        name, kind = list(KINDS.items())[number % len(KINDS)]
        sign, time_s = int(rng.choice([-1, 1])), rng.uniform(2e-3, 15e-3)
        heard = make(kind, time_s, sign, snr_db, (), rng, count=1 << 13)
        found = polarity(heard, kind.band_hz)
        if found.sign != sign:
            wrong.append(f"{number} {name} (confidence {float(found.confidence):.2f})")
    print(f"polarity at {snr_db:g} dB: {trials - len(wrong)} of {trials} right", *wrong)


def takes(trials: int, seed: int = 11, pink: bool = False) -> None:
    """Print a section of takes, in white or in pink noise."""
    print(f"takes at {SNR_DB} dB over {'pink' if pink else 'white'} noise")
    arrivals(KINDS, trials, seed, partial(take, pink=pink))


def responses(trials: int, seed: int = 11) -> None:
    """Print the section of the strictest reading."""
    print(f"impulse responses, their peak {SNR_DB} dB over noise")
    arrivals(KINDS, trials, seed)


def unlike(trials: int, seed: int = 11) -> None:
    """Print the section of drivers unlike the model."""
    print(f"drivers unlike the model, their peak {SNR_DB} dB over noise")
    arrivals(drivers.UNLIKE, max(3 * trials // 10, 5), seed)


PARTS: dict[str, Callable[..., None]] = {
    "white": takes,
    "pink": partial(takes, pink=True),
    "responses": responses,
    "unlike": unlike,
    "polarity": polarities,
}

if __name__ == "__main__":
    each = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    chosen = [int(text) for text in sys.argv[2:3]]
    for part in sys.argv[3:] or PARTS:
        PARTS[part](each, *chosen)
