"""Looking things up in a system."""

from __future__ import annotations

import pytest

from roomtune.system.model import Channel, Loudspeaker, Output, Playback, Seat, System


def small() -> System:
    return System(
        name="den",
        channels=(Channel(name="L"), Channel(name="C", interface_output=5), Channel(name="R")),
        loudspeakers=(Loudspeaker(name="left", channel="L"), Loudspeaker(name="sub")),
        outputs=tuple(
            Output(
                name=name,
                number=number,
                loudspeaker="left",
                driver="woofer",
                playback=Playback(interface_output=number),
                safe_band_hz=(30, 3000),
            )
            for number, name in enumerate(("low", "high"), start=1)
        ),
        seats=(Seat(name="a"), Seat(name="b", main=True)),
    )


def test_everything_is_found_by_its_name():
    system = small()
    assert system.output("high").number == 2
    assert system.seat("a").weight == 1
    assert system.channel("C").kind == "main"
    assert system.loudspeaker("sub").channel is None
    assert [o.name for o in system.outputs_of("left")] == ["low", "high"]
    assert system.loudspeaker_of("L").name == "left"
    assert system.loudspeaker_of("R") is None


def test_the_main_seat_is_the_marked_one_else_the_first():
    system = small()
    assert system.main_seat.name == "b"
    assert system.model_copy(update={"seats": (Seat(name="x"),)}).main_seat.name == "x"


def test_a_channel_takes_its_place_unless_it_says_otherwise():
    system = small()
    assert [system.interface_output_of(name) for name in ("L", "C", "R")] == [1, 5, 3]


@pytest.mark.parametrize("look", [System.output, System.seat, System.channel, System.loudspeaker])
def test_an_unknown_name_is_a_key_error(look):
    with pytest.raises(KeyError, match="nobody"):
        look(small(), "nobody")


def test_an_unknown_channel_has_no_output():
    with pytest.raises(KeyError, match="nobody"):
        small().interface_output_of("nobody")


def test_parts_cannot_be_changed():
    with pytest.raises(ValueError, match="frozen"):
        small().seats[0].weight = 3
