"""New system.toml files read back as they were meant."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.errors import RoomtuneError
from roomtune.system.layouts import LAYOUTS
from roomtune.system.model import Processor, Target, Wishes
from roomtune.system.reading import read_system, system_from_toml
from roomtune.system.template import new_system_toml, write_new_system


@settings(derandomize=True, deadline=None, max_examples=80)
@given(
    st.sampled_from(list(LAYOUTS)),
    st.integers(1, 3),
    st.integers(1, 3),
    st.none() | st.integers(0, 4),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
)
def test_every_layout_reads_back(layout, front, surround, subwoofers, name):
    text = new_system_toml(
        layout, name=name, front_ways=front, surround_ways=surround, subwoofers=subwoofers
    )
    system = system_from_toml(text)
    places = LAYOUTS[layout]
    assert system.name == name
    assert [c.name for c in system.channels] == [p.channel for p in places]
    effects = any(p.channel == "LFE" for p in places)
    count = int(effects) if subwoofers is None else subwoofers
    drivers = sum(front if p.front else surround for p in places if p.channel != "LFE")
    assert len(system.outputs) == drivers + count
    assert [o.number for o in system.outputs] == list(range(1, len(system.outputs) + 1))
    assert sum(o.driver == "subwoofer" for o in system.outputs) == count


def test_the_values_shown_are_those_in_force_without_them():
    system = system_from_toml(new_system_toml())
    assert system.processor == Processor()
    assert system.target == Target()
    assert system.wishes == Wishes()


def test_what_is_commented_out_is_also_sound(tmp_path):
    """A person may take any example out of its comment."""
    text = new_system_toml("5.1")
    (tmp_path / "microphone.txt").write_text("20 0\n")
    for line in text.split("\n"):
        if line.startswith("# ") and " = " in line and not line.startswith(("# known", "#  ")):
            text = text.replace(line, line[2:])
    text = text.replace('output_device = "..."', "output_device = 3")
    system = system_from_toml(text, folder=tmp_path)
    assert system.audio.loopback_output == 16
    assert system.wishes.leave_alone == ("left",)
    assert system.microphone.sensitivity_dbfs_at_94_db == -26
    assert system.room_size_m == (5.0, 4.0, 2.5)


def test_a_tweeter_gets_neither_lows_nor_level():
    system = system_from_toml(new_system_toml("stereo"))
    tweeter, woofer = system.output("left tweeter"), system.output("left woofer")
    assert tweeter.safe_band_hz[0] >= 1000
    assert tweeter.maximum_level_dbfs < woofer.maximum_level_dbfs


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"layout": "9.9"}, 'unknown layout "9.9"; known are stereo'),
        ({"front_ways": 4}, "1, 2 or 3 ways"),
        ({"subwoofers": 9}, "between 0 and 8 subwoofers"),
        ({"seats": ()}, "at least one seat"),
        ({"seats": ("a", "a/b")}, 'got "a/b"'),
        ({"seats": ("a", "A")}, "already the name"),
        ({"sample_rate_hz": 8000}, "at least 44100"),
    ],
)
def test_wrong_wishes_are_named(arguments, text):
    with pytest.raises(RoomtuneError, match=text.replace("(", r"\(")):
        new_system_toml(**arguments)


def test_writing_never_overwrites(tmp_path):
    file = tmp_path / "system.toml"
    write_new_system(file, new_system_toml())
    assert read_system(file).name == "My room"
    with pytest.raises(RoomtuneError, match="exists already and stays as it is"):
        write_new_system(file, "x")
    assert read_system(file).name == "My room"
    with pytest.raises(RoomtuneError, match="cannot be written"):
        write_new_system(tmp_path / "none" / "system.toml", "x")
