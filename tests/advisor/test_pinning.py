"""Pinned gains, delays and polarities hold, and their company goes with them."""

from dataclasses import replace

import pytest

from roomtune.advisor.limits import headrooms
from roomtune.advisor.pinning import channels_within_headroom, pin_proposals, pinned
from roomtune.advisor.settings import with_outputs
from roomtune.advisor.starting import starting_tuning
from roomtune.errors import RoomtuneError
from roomtune.system.model import Wishes
from roomtune.system.wishing import checked, with_wishes

SETTINGS = {
    "left low": (-2.0, 1.0),
    "left high": (-6.0, 1.2),
    "right low": (-3.0, 0.4),
    "right high": (-7.0, 0.6),
    "sub one": (-1.0, 3.0),
    "sub two": (-4.0, 0.0),
}


def case(workshop, **wishes):
    system = workshop.system(wishes=Wishes(**wishes))
    tuning = starting_tuning(system)
    changed = {
        name: replace(tuning.output(name), gain_db=gain, delay_ms=delay)
        for name, (gain, delay) in SETTINGS.items()
    }
    return system, with_outputs(tuning, changed)


def test_one_pinned_delay_moves_all_outputs_together(workshop):
    system, tuning = case(workshop, delays_ms={"left high": 4.2})
    found = pinned(system, tuning)
    for name, (gain, delay) in SETTINGS.items():
        assert found.output(name).delay_ms == pytest.approx(delay + 3.0)
        assert found.output(name).gain_db == gain


def test_a_second_pin_takes_its_own_loudspeaker_along_and_nobody_else(workshop):
    system, tuning = case(workshop, gains_db={"left low": -2.0, "right high": -5.0})
    found = {o.name: o.gain_db for o in pinned(system, tuning).outputs}
    assert found == pytest.approx(
        {name: gain + 2.0 * name.startswith("right") for name, (gain, _) in SETTINGS.items()}
    )


def test_two_pins_in_one_loudspeaker_both_hold(workshop):
    system, tuning = case(workshop, delays_ms={"left low": 2.0, "left high": 2.5})
    found = pinned(system, tuning)
    assert [found.output(n).delay_ms for n in ("left low", "left high")] == [2.0, 2.5]


def test_a_delay_that_others_cannot_precede_is_told(workshop):
    system, tuning = case(workshop, delays_ms={"left low": 0.5})
    found = pinned(system, tuning)
    assert found.output("left low").delay_ms == 0.5
    assert found.output("sub two").delay_ms == 0.0
    (told,) = pin_proposals(system, found, {})
    assert "sub two" in told.refused[0]


def test_a_polarity_against_the_wiring_is_told(workshop):
    system, tuning = case(workshop, polarities={"left low": "inverted"})
    found = pinned(system, tuning)
    assert found.output("left low").inverted
    assert "against the pin" in pin_proposals(system, found, {"left low": False})[0].refused[0]
    assert pin_proposals(system, found, {"left low": True})[0].refused == ()


def test_headroom_is_made_before_pinned_gains(workshop):
    system, tuning = case(workshop, gains_db={"left low": 6.0})
    found = channels_within_headroom(system, pinned(system, tuning))
    assert found.output("left low").gain_db == 6.0
    assert -0.2 < max(item.sine_dbfs for item in headrooms(found)) <= 1e-9
    lowered = {a.gain_db - b.gain_db for a, b in zip(found.channels, tuning.channels, strict=True)}
    assert len({round(change, 6) for change in lowered}) == 1


def test_no_channel_is_turned_up_beyond_full_scale(workshop):
    system, tuning = case(workshop, gains_db={"left low": -40.0})
    found = channels_within_headroom(system, pinned(system, tuning))
    assert max(channel.gain_db for channel in found.channels) == 0.0


def test_what_is_left_alone_or_forbidden_is_told(workshop):
    system, tuning = case(workshop, leave_alone=("left", "sub one"), forbid=("boost", "Bessel"))
    alone, forbidden = pin_proposals(system, tuning, {})
    assert alone.subject == "left, sub one"
    assert "left alone in [wishes]" in alone.evidence
    assert "boost, Bessel" in forbidden.change


def test_pins_name_outputs_within_what_the_processor_has(workshop):
    system = workshop.system()
    good = with_wishes(system, ['gains_db={"sub one"=-3}', "fir=mixed phase"])
    assert good.wishes.gains_db == {"sub one": -3.0}
    assert good.wishes.fir == "mixed phase"
    for wrong, said in (
        ({"gains_db": {"sub three": -3.0}}, "none of the outputs"),
        ({"gains_db": {"sub one": 40.0}}, "expected -60 to 12"),
        ({"delays_ms": {"sub one": 400.0}}, "expected 0 to 40"),
    ):
        with pytest.raises(RoomtuneError, match=said):
            checked(system.model_copy(update={"wishes": Wishes(**wrong)}), "here")
