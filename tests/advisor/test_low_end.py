"""Bass that nothing plays is told with what it costs."""

import pytest

from roomtune.advisor.aims import Aims
from roomtune.advisor.energy import energy_model
from roomtune.advisor.low_end import low_end, low_end_proposals
from roomtune.advisor.starting import starting_tuning
from roomtune.system.model import Channel, Loudspeaker, Processor


@pytest.fixture
def without_subwoofer(workshop):
    """A full-range centre, from 200 Hz on, between two ways that reach down to 40 Hz."""
    whole = workshop.system()
    system = workshop.system(
        channels=(*whole.channels, Channel(name="C")),
        outputs=(
            *whole.outputs[:4],
            workshop.output(5, "centre", "centre", "full range", 200, 20000),
        ),
        loudspeakers=(
            Loudspeaker(name="left", channel="L"),
            Loudspeaker(name="right", channel="R"),
            Loudspeaker(name="centre", channel="C"),
        ),
        processor=Processor(filters_per_output=8),
    )
    drivers = {name: d for name, d in workshop.drivers().items() if "sub" not in name}
    drivers["centre"] = workshop.driver(200, 2, None, 2, 0.0, (4.0, 4.1))
    measured = workshop.measured(system, drivers)
    tuning = starting_tuning(system)
    return Aims(system, measured, energy_model(measured, tuning)), tuning


def test_the_channel_without_bass_is_named_and_its_price(without_subwoofer):
    aims, tuning = without_subwoofer
    (told,) = low_end_proposals(aims, tuning)
    assert told.subject == "C"
    assert "neither filters on routes" in told.evidence
    # Second order at 200 Hz twice, the driver's own and the protective one: 6 dB down there
    found = low_end(aims, tuning, aims.model.channels.index("C"))
    assert found.from_hz == pytest.approx(200, rel=0.3)
    assert found.rest_db < 2
    assert found.lost_db > 5 * found.rest_db
    assert told.effect_db == pytest.approx(found.rest_db - found.lost_db, abs=0.06)
