import pytest

from roomtune.errors import RoomtuneError
from roomtune.system.model import Target
from roomtune.system.reading import system_from_toml
from roomtune.system.target_words import Adjustment, parse_adjustment, retargeted
from roomtune.system.template import new_system_toml


@pytest.mark.parametrize(
    ("text", "gain", "low", "high"),
    [
        ("2 dB more below 100 Hz", 2.0, 0.0, 100.0),
        ("1.5 db LESS above 4 kHz", -1.5, 4000.0, float("inf")),
        ("3 dB less between 150 and 300 Hz", -3.0, 150.0, 300.0),
        ("3 dB less between 900 Hz and 2 kHz", -3.0, 900.0, 2000.0),
        ("1 dB more between 1 and 4 kHz", 1.0, 1000.0, 4000.0),
        ("1 dB more around 2kHz", 1.0, 2000 / 2**0.5, 2000 * 2**0.5),
    ],
)
def test_what_is_said_is_understood(text, gain, low, high):
    found = parse_adjustment(text)
    assert found == Adjustment(gain, pytest.approx(low), pytest.approx(high))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("more bass", "say it like"),
        ("2 dB more below 100", "needs its unit"),
        ("two dB more below 100 Hz", "not understood"),
        ("30 dB more below 100 Hz", "at most 20"),
        ("2 dB more below 5 Hz", "outside 10 Hz"),
        ("2 dB more between 300 and 150 Hz", "lower frequency comes first"),
        ("-2 dB more below 100 Hz", "not understood"),
        ("2 dB more below 100 Hz please", "not understood"),
    ],
)
def test_what_is_not_understood_is_told_with_an_example(text, words):
    with pytest.raises(ValueError, match="dB") as caught:
        parse_adjustment(text)
    assert words in str(caught.value)


def test_shapes_start_afresh_and_changes_add_up():
    target = Target(bass_lift_db=3.0, adjustments=("1 dB less above 8 kHz",))
    assert retargeted(target, "2 dB more below 60 Hz").adjustments == (
        "1 dB less above 8 kHz",
        "2 dB more below 60 Hz",
    )
    flat = retargeted(target, "Flat")
    assert (flat.shape, flat.tilt_db_per_octave, flat.bass_lift_db) == ("tilt", 0.0, 0.0)
    assert flat.adjustments == ()
    assert retargeted(target, "tilt -0.8 dB per octave").tilt_db_per_octave == -0.8
    assert retargeted(target, "cinema").shape == "cinema"
    assert retargeted(target, "curve My curve.txt").curve_file == "My curve.txt"
    with pytest.raises(ValueError, match='"cinema"'):
        retargeted(target, "warm")


def test_words_in_system_toml_are_checked_with_their_line():
    text = new_system_toml("stereo").replace(
        '# adjustments = ["2 dB more below 100 Hz", "1 dB less around 3 kHz"]',
        'adjustments = ["2 dB more below 100 Hz", "a bit less treble"]',
    )
    line = text.split("\n").index('adjustments = ["2 dB more below 100 Hz", "a bit less treble"]')
    with pytest.raises(RoomtuneError, match=f"line {line + 1}: .*a bit less treble.*say it like"):
        system_from_toml(text)
