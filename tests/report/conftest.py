"""A small system with hostile names, its measurement, advice and verification."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.measured import measured_from_responses
from roomtune.advisor.prediction import predict
from roomtune.advisor.proposal import Advice, Proposal
from roomtune.capture.take import Finding, Take, Verdict
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    Limiter,
    OutputSetting,
    Route,
    Tuning,
)
from roomtune.report.content import Content
from roomtune.session.comparison import compare
from roomtune.session.verification import verify
from roomtune.signal.sweeps import Sweep
from roomtune.signal.values import ImpulseResponse, NoiseSpectrum
from roomtune.system.model import Channel, Loudspeaker, Output, Playback, Seat, System

RATE = 48000.0
HOSTILE = "</script><script>alert(1)</script>"
LENGTH = 4800


def make_system() -> System:
    """Stereo two-way; the system's name is hostile (names of parts are checked on reading)."""
    outputs = [
        Output(
            name=f"{driver} {side}",
            number=number,
            loudspeaker=side,
            driver=driver,  # type: ignore[arg-type]
            playback=Playback(interface_output=number),
            safe_band_hz={"woofer": (40.0, 6000.0), "tweeter": (1200.0, 20000.0)}[driver],
        )
        for number, (side, driver) in enumerate(
            [(s, d) for s in ("left", "right") for d in ("woofer", "tweeter")], start=1
        )
    ]
    return System(
        name=f"cinema {HOSTILE} & 'more' \u2028",
        channels=(Channel(name="L"), Channel(name="R")),
        loudspeakers=(
            Loudspeaker(name="left", channel="L", position_m=(1, 3, 1)),
            Loudspeaker(name="right", channel="R", position_m=(3, 3, 1)),
        ),
        outputs=tuple(outputs),
        seats=(
            Seat(name="main", main=True, position_m=(2, 1, 1)),
            Seat(name="side", position_m=(3, 1, 1)),
        ),
        room_size_m=(4, 5, 2.5),
    )


def make_tuning(system: System) -> Tuning:
    low = Filter("low pass", 2100.0, family="Linkwitz-Riley", order=4)
    high = Filter("high pass", 2100.0, family="Linkwitz-Riley", order=4)
    outputs = [
        OutputSetting(
            o.name,
            o.number,
            gain_db=-1.5 * o.number,
            inverted=o.number == 2,
            delay_ms=0.25 * o.number,
            filters=(low, Filter("peaking", 141.3, q=6.2, gain_db=-7.4))
            if o.driver == "woofer"
            else (high, Filter("high shelf", 8000.0, q=0.7, gain_db=1.5)),
            limiter=Limiter(-6.0),
        )
        for o in system.outputs
    ]
    routes = [
        Route("L" if o.loudspeaker == "left" else "R", o.name, gain_db=-0.5) for o in system.outputs
    ]
    channels = tuple(
        ChannelSetting(c.name, -1.0, (Filter("low shelf", 90.0, q=0.7, gain_db=2.0),))
        for c in system.channels
    )
    return Tuning(RATE, channels, tuple(routes), tuple(outputs))


def make_samples(system: System, seed: int = 0) -> np.ndarray:
    random = np.random.default_rng(seed)
    times = np.arange(LENGTH) / RATE
    samples = random.normal(size=(4, 2, LENGTH)) * np.exp(-times / 0.01) * 0.01
    for o in range(4):
        for s in range(2):
            samples[o, s, 190 + 5 * o + 3 * s] += 0.3
            samples[o, s, : 180 + 5 * o] = 0
    return samples


@pytest.fixture(scope="session")
def content() -> Content:
    system = make_system()
    samples = make_samples(system)
    measured = measured_from_responses(system, ImpulseResponse(samples, RATE))
    tuning = make_tuning(system)
    plain = replace(
        tuning,
        outputs=tuple(
            replace(o, gain_db=0.0, delay_ms=0.0, inverted=False) for o in tuning.outputs
        ),
    )
    prediction, before = predict(tuning, measured), predict(plain, measured)
    proposals = (
        Proposal("level", "output woofer left", "-1.5 dB", "it is louder", "matched", 1.5, 0.2),
        Proposal("equaliser", HOSTILE, HOSTILE, HOSTILE, HOSTILE, refused=(HOSTILE,)),
    )
    advice = Advice(tuning, proposals, prediction, before, plain)
    takes = [
        Take(
            channel, "channel", seat, Sweep(20.0, 20000.0, 2.0, RATE), -12.0,
            ImpulseResponse(prediction.impulse_responses.samples[c, s], RATE),
            NoiseSpectrum([0.0, 24000.0], [1e-14, 1e-14]), (),
            Verdict("usable", (Finding("hum", "usable", f"hum {HOSTILE}"),)),
            "loopback", 0.0, "2026-03-01T20:15:00+00:00",
        )
        for c, channel in enumerate(prediction.channels)
        for s, seat in enumerate(prediction.seats)
    ]  # fmt: skip
    verification = verify(system, prediction, takes, tuning=tuning, measured=measured)
    samples[0] *= 0.6
    other = measured_from_responses(system, ImpulseResponse(samples, RATE))
    comparison = compare(system, measured, other, tuning)
    return Content(
        system, f"evening {HOSTILE}", "2026-03-01T20:15:00+00:00", f"doors {HOSTILE}",
        (f"note {HOSTILE}",), measured, advice, verification, comparison, takes,
    )  # fmt: skip
