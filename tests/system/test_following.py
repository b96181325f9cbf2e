from pathlib import Path

import pytest

from roomtune.errors import RoomtuneError
from roomtune.system.following import changed_parts, following
from roomtune.system.model import Playback
from roomtune.system.reading import system_from_toml
from roomtune.system.template import new_system_toml
from roomtune.system.wishing import with_target_words, with_wishes

SYSTEM = system_from_toml(new_system_toml("stereo"))


def with_output(**changes):
    """The system with its first output changed."""
    first = SYSTEM.outputs[0].model_copy(update=changes)
    return SYSTEM.model_copy(update={"outputs": (first, *SYSTEM.outputs[1:])})


def test_wishes_target_processor_and_limits_come_from_the_current_file():
    low, high = SYSTEM.outputs[0].safe_band_hz
    edited = with_output(maximum_level_dbfs=-20.0, safe_band_hz=(low * 1.5, high))
    edited = edited.model_copy(
        update={
            "wishes": SYSTEM.wishes.model_copy(update={"maximum_boost_db": 1.0}),
            "target": SYSTEM.target.model_copy(update={"bass_lift_db": 5.0}),
            "processor": SYSTEM.processor.model_copy(update={"filters_per_output": 3}),
            "seats": tuple(s.model_copy(update={"weight": 4.0}) for s in SYSTEM.seats),
        }
    )
    assert following(SYSTEM, edited) == edited
    assert set(changed_parts(SYSTEM, edited)) == {
        "outputs",
        "wishes",
        "target",
        "processor",
        "seats",
    }
    assert changed_parts(SYSTEM, SYSTEM) == ()


def test_the_microphone_stays_the_one_that_measured():
    kept = SYSTEM.model_copy(
        update={"audio": SYSTEM.audio.model_copy(update={"input_device": "other"})}
    )
    assert following(SYSTEM, kept).audio == SYSTEM.audio


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"playback": Playback(interface_output=30)}, "playback: 1 then, 30 now"),
        ({"driver": "midrange"}, 'driver: "woofer" then, "midrange" now'),
        ({"safe_band_hz": (10.0, 5000.0)}, "not measured that wide"),
        ({"name": "something new"}, '"something new" was not measured'),
    ],
)
def test_what_was_measured_must_be_as_it_was(changes, words):
    with pytest.raises(RoomtuneError, match="no longer what this session measured") as caught:
        following(SYSTEM, with_output(**changes))
    assert words in str(caught.value)
    assert "--as-measured" in str(caught.value)


def test_a_correction_is_the_same_by_content_not_by_place(tmp_path: Path):
    files = [tmp_path / name for name in ("a.txt", "b.txt", "c.txt")]
    for file, text in zip(files, ("20 1\n", "20 1\n", "20 2\n"), strict=True):
        file.write_text(text)
    first, second, third = (
        SYSTEM.model_copy(
            update={"microphone": SYSTEM.microphone.model_copy(update={"correction_file": str(f)})}
        )
        for f in files
    )
    assert following(first, second).microphone == first.microphone
    with pytest.raises(RoomtuneError, match="correction_file"):
        following(first, third)


def test_wishes_given_by_the_way_are_checked_like_those_in_the_file():
    found = with_wishes(SYSTEM, ["maximum_boost_db=3", 'leave_alone=["left"]'])
    assert found.wishes.maximum_boost_db == 3.0
    assert found.wishes.leave_alone == ("left",)
    for text, words in (
        ("maximum_boost=3", "maximum_boost_db"),
        ('leave_alone=["lefft"]', 'did you mean "left"'),
        ("boost little", "key=value"),
        ("maximum_boost_db=-1", "at least 0"),
    ):
        with pytest.raises(RoomtuneError) as caught:
            with_wishes(SYSTEM, [text])
        assert words in str(caught.value)


def test_wishes_given_by_the_way_need_no_brackets_and_add_up():
    left, right = (speaker.name for speaker in SYSTEM.loudspeakers[:2])
    found = with_wishes(SYSTEM, [f"leave_alone={left}", f"leave_alone = {right}", "forbid=notch"])
    assert found.wishes.leave_alone == (left, right)
    assert found.wishes.forbid == ("notch",)
    first, second = (output.name for output in SYSTEM.outputs[:2])
    pins = [f'gains_db."{first}"=-3', f"gains_db.{second} = -4.5", f"polarities.{first}=inverted"]
    found = with_wishes(found, pins)
    assert found.wishes.gains_db == {first: -3.0, second: -4.5}
    assert found.wishes.polarities == {first: "inverted"}
    again = with_wishes(found, [f'gains_db."{first}"=-1', "leave_alone=[]"]).wishes
    assert again.gains_db == {first: -1.0, second: -4.5}
    assert again.leave_alone == ()


def test_target_words_given_by_the_way_add_up():
    found = with_target_words(SYSTEM, ["flat", "2 dB more below 100 Hz"])
    assert found.target.adjustments == ("2 dB more below 100 Hz",)
    with pytest.raises(RoomtuneError, match="say it like"):
        with_target_words(SYSTEM, ["more bass"])
