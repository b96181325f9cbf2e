"""LFE as loud as ITU-R BS.775 asks: 10 dB above the other channels, in its band."""

from dataclasses import replace

import numpy as np
import pytest

from roomtune.advisor.planning import plan
from roomtune.advisor.scores import seat_average_db
from roomtune.signal.bands import third_octave_centres_hz
from roomtune.system.model import Loudspeaker, Processor

ECHOES = ((2.3, 0.35), (4.9, -0.3), (11.3, 0.25), (17.0, 0.2))
FLAT = Processor(filters_per_output=8, limiters=False)


def louder_db(system, prediction, low_hz):
    """LFE's thirds up to 80 Hz above the main channels' from 200 Hz to 4 kHz."""

    def middle(channels, low_hz, high_hz, average):
        places = [prediction.channels.index(name) for name in channels]
        centres = third_octave_centres_hz(low_hz, high_hz)
        chosen = prediction.response[places]
        return float(average(seat_average_db(system, prediction.seats, chosen, centres)))

    mains = middle(["L", "R"], 200, 4000, np.mean)
    return middle(["LFE"], low_hz, 80, np.median) - mains


def measured_with_echoes(workshop, system, **gains_db):
    drivers = {n: replace(d, echoes=ECHOES) for n, d in workshop.drivers().items()}
    for name, gain in gains_db.items():
        key = name.replace("_", " ")
        drivers[key] = replace(drivers[key], gain_db=drivers[key].gain_db + gain)
    names = [output.name for output in system.outputs]
    return workshop.measured(system, {name: drivers[name] for name in names})


def test_subwoofers_play_lfe_10_db_louder(workshop):
    system = workshop.system()
    measured = measured_with_echoes(workshop, system, right_low=-14.0, right_high=-14.0)
    advice = plan(system, measured)
    assert louder_db(system, advice.prediction, 31.5) == pytest.approx(10, abs=0.5)
    told = next(p for p in advice.proposals if p.step == "LFE level")
    assert told.subject == "LFE"
    assert all(c.gain_db <= 0 for c in advice.tuning.channels)


def test_shared_woofers_play_lfe_10_db_louder_although_the_channels_are_trimmed(workshop):
    whole = workshop.system()
    system = workshop.system(
        outputs=whole.outputs[:4],
        loudspeakers=(
            Loudspeaker(name="left", channel="L"),
            Loudspeaker(name="right", channel="R"),
        ),
        processor=FLAT,
    )
    measured = measured_with_echoes(workshop, system, right_low=-14.0, right_high=-14.0)
    advice = plan(system, measured)
    assert louder_db(system, advice.prediction, 50) == pytest.approx(10, abs=0.5)
