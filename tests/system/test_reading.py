"""system.toml: sound ones read, every fault of the others is named with its line."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.errors import RoomtuneError
from roomtune.system.model import System
from roomtune.system.reading import read_system, system_from_toml
from roomtune.system.template import new_system_toml

GOOD = """\
name = "den"
[[channels]]
name = "L"
[[channels]]
name = "R"
[[channels]]
name = "LFE"
kind = "low frequency effects"
[[loudspeakers]]
name = "left"
channel = "L"
[[loudspeakers]]
name = "right"
channel = "R"
[[loudspeakers]]
name = "sub"
[[outputs]]
name = "left woofer"
number = 1
loudspeaker = "left"
driver = "woofer"
playback = { interface_output = 1 }
safe_band_hz = [30, 5000]
[[outputs]]
name = "left tweeter"
number = 2
loudspeaker = "left"
driver = "tweeter"
playback = { interface_output = 1, by_hand = true, instruction = "switch to it" }
safe_band_hz = [1500, 20000]
[[outputs]]
name = "right"
number = 3
loudspeaker = "right"
driver = "full range"
playback.interface_output = 3
safe_band_hz = [80, 20000]
data = { resonance_hz = 60 }
[[outputs]]
name = "sub"
number = 4
loudspeaker = "sub"
driver = "subwoofer"
playback = { interface_output = 4 }
safe_band_hz = [15, 200]
[[seats]]
name = "sofa"
main = true
[[seats]]
name = "chair"
weight = 0.5
[audio]
sample_rate_hz = 48000
[microphone]
interface_input = 1
[processor]
delay_ms = { minimum = 0, maximum = 20, step = 0.01 }
[wishes]
crossovers_hz = { left = [2200] }
leave_alone = ["right"]
"""


def faults(old: str, new: str, count: int = 1) -> str:
    """The error text after a change to the good system."""
    assert old in GOOD, old
    text = GOOD.replace(old, new, count)
    with pytest.raises(RoomtuneError) as caught:
        system_from_toml(text)
    assert caught.value.exit_status == 2
    return str(caught.value)


def test_a_sound_system_reads():
    system = system_from_toml(GOOD)
    assert system.name == "den"
    assert system.output("left tweeter").playback.by_hand
    assert system.output("right").data.resonance_hz == 60
    assert system.main_seat.name == "sofa"
    assert system.wishes.crossovers_hz == {"left": (2200,)}
    assert system.interface_output_of("R") == 2


CASES = [
    # old, new, line, words that must be said
    ('name = "den"', 'nme = "den"', 1, ["unknown key", 'did you mean "name"?']),
    ('name = "den"', "name = 3", 1, ["got 3", 'a text in "quotes"']),
    ('name = "R"', 'name = "L"', 5, ['"L" is already the name of channels[1]']),
    ('name = "R"', 'name = "r/2"', 5, ['got "r/2"', "expected a name"]),
    (
        'kind = "low frequency effects"',
        'kind = "LFE"',
        8,
        ['got "LFE"', '"main" or "low frequency effects"'],
    ),
    ('channel = "R"', 'channel = "Rr"', 14, ['"Rr" is none of the channels', 'mean "R"?']),
    ('channel = "R"', 'channel = "L"', 14, ['"L" is already the channel of loudspeakers[1]']),
    ('channel = "R"', 'channel = "LFE"', 14, ["low frequency effects", "leave the key out"]),
    (
        'name = "sub"\n[[outputs]]',
        'name = "sub"\nchannel = "L"\n[[outputs]]',
        17,
        ["only subwoofers", "redirected bass"],
    ),
    ("number = 2", "number = 1", 26, ["1 is already the number of outputs[1]"]),
    ("number = 2", "number = 0", 26, ["got 0", "at least 1"]),
    ("number = 2", "number = 2.5", 26, ["got 2.5", "a whole number"]),
    ("number = 2", "number = true", 26, ["got true", "a whole number"]),
    ("number = 2\n", "", 24, ['the key "number" is missing']),
    ('loudspeaker = "sub"', 'loudspeaker = "sup"', 42, ["none of the loudspeakers", '"sub"?']),
    ('driver = "woofer"', 'driver = "Woofer"', 21, ['got "Woofer"', 'did you mean "woofer"?']),
    ("[30, 5000]", '["30 Hz", 5000]', 23, ['got "30 Hz"', "write 30 without the unit"]),
    ("[30, 5000]", '["0.03 kHz", 5000]', 23, ["write 30"]),
    ("[30, 5000]", '["30", 5000]', 23, ["write 30 without quotes"]),
    ("[30, 5000]", "[5000, 30]", 23, ["expected the lower end first: [30, 5000]"]),
    ("[30, 5000]", "[0.03, 5]", 23, ["is that kHz? Write [30, 5000]"]),
    ("[30, 5000]", "[30, 30]", 23, ["upper end well above"]),
    ("[30, 5000]", "[0, 5000]", 23, ["lower end above 0"]),
    ("[30, 5000]", "[30, 25000]", 23, ["at most 24000", "sample_rate_hz under [audio]"]),
    ("[30, 5000]", "[30, 500, 5000]", 23, ["expected 2 values"]),
    ("[30, 5000]", "[30]", 23, ["too few values"]),
    ("[30, 5000]", "[30, nan]", 23, ["got nan", "a number"]),
    ("[30, 5000]", "5000", 23, ["got 5000", "a list in []"]),
    ("safe_band_hz = [30, 5000]", "safe_band = [30, 5000]", 23, ['mean "safe_band_hz"?']),
    (
        "safe_band_hz = [30, 5000]",
        "safe_band_hz = [30, 5000]\nmaximum_level_dbfs = 6",
        24,
        ["got 6", "at most 0 in dB re full scale"],
    ),
    ("interface_output = 4", "interface_output = 3", 44, ["3 already plays outputs[3]"]),
    (', instruction = "switch to it"', "", 29, ["by_hand needs an instruction"]),
    ("by_hand", "byhand", 29, ['did you mean "by_hand"?']),
    ("resonance_hz = 60", "resonance_hz = 0.06", 38, ["is that kHz? Write 60"]),
    ("resonance_hz = 60", "resonance = 60", 38, ['did you mean "resonance_hz"?']),
    ("main = true", "main = 1", 48, ["got 1", "true or false"]),
    ("weight = 0.5", "main = true", 51, ["seats[1] is already the main seat"]),
    ("main = true\n", "", 46, ["none of 2 is the main seat", 'such as "sofa"']),
    ("weight = 0.5", "weight = -1", 51, ["got -1", "at least 0"]),
    ("weight = 0.5", "position_m = [120, 80, 110]", 51, ["is that cm or mm?"]),
    ("48000", "4800", 53, ["got 4800", "at least 44100 in Hz"]),
    ("48000", '"48 kHz"', 53, ['got "48 kHz"', "write 48000"]),
    ("48000", "48000\nloopback_input = 2", 52, ["two ends", "add loopback_output"]),
    (
        "48000",
        "48000\nloopback_input = 1\nloopback_output = 9",
        54,
        ["1 is already the microphone's input"],
    ),
    (
        "48000",
        "48000\nloopback_input = 2\nloopback_output = 4",
        44,
        ["4 is the loopback_output"],
    ),
    ("48000", '48000\nreference_output = "lft"', 54, ["none of the outputs"]),
    (
        "interface_input = 1",
        'interface_input = 1\ncorrection_file = "gone.txt"',
        56,
        ['there is no file "gone.txt" in '],
    ),
    ("maximum = 20, step", "maximum = -20, step", 57, ["minimum 0 above maximum -20"]),
    ("minimum = 0, maximum", "minimum = -1, maximum", 57, ["a delay cannot be negative"]),
    ("[processor]", '[processor]\nnumber_format = "5"', 57, ['got "5"', "fixed-point format"]),
    ("[processor]", '[processor]\nnumber_format = "40.40"', 57, ["at most 64"]),
    ("[processor]", '[processor]\nnumber_format = "1.23"', 57, ["up to 2", '"2.22"']),
    (
        "[processor]",
        "[processor]\ncrossovers = { Linkwitz-Riley = [4, 3] }",
        57,
        ["got 3", "an even order from 1 to 24"],
    ),
    (
        "[processor]",
        "[processor]\ncrossovers = { Bessle = [4, 3] }",
        57,
        ['did you mean "Bessel"?'],
    ),
    ("[processor]", '[processor]\nfilter_types = ["peeking"]', 57, ['mean "peaking"?']),
    ("left = [2200]", "left = [2.2]", 59, ["is that kHz? Write 2200"]),
    ("left = [2200]", "lift = [2200]", 59, ["none of the loudspeakers", 'mean "left"?']),
    ("left = [2200]", "left = [2200, 300]", 59, ["rising frequencies"]),
    ("left = [2200]", "left = [300, 2200]", 59, ["got 2 frequencies, expected 1"]),
    ("left = [2200]", "left = [900]", 59, ["outside the safe band", '"left tweeter", 1500']),
    ("left = [2200]", "left = [7000]", 59, ["outside the safe band", '"left woofer", 30']),
    ("[1500, 20000]", "[6000, 20000]", 30, ["no crossover is safe for both", "ends at 5000"]),
    ("[wishes]", "[wishes]\nbass_crossover_hz = 0.08", 59, ["is that kHz? Write 80"]),
    ("[wishes]", "[wishes]\nbass_crossover_hz = 800", 59, ["at most 500"]),
    ("[processor]", "[processor]\ncrossovers = {}", 57, ["none are offered", "2 kinds"]),
    ('channel = "R"\n', "", 4, ["no loudspeaker reproduces it"]),
    ('loudspeaker = "right"', 'loudspeaker = "left"', 12, ["no output drives it"]),
    ('kind = "low', 'interface_output = 1\nkind = "low', 8, ["1 already carries channels[1]"]),
    ("minimum = 0, maximum", "minimum = 0, maximun", 57, ['mean "maximum"?']),
    ("[processor]", "[processor]\nfilter_q = { minimum = 0, maximum = 9 }", 57, ["more than 0"]),
    ("[processor]", "[processor]\ncrossovers = 4", 57, ["got 4", "expected a table"]),
    ("interface_input = 1", "sensitivity = -26", 55, ["sensitivity_dbfs_at_94_db"]),
    ('["right"]', '["rigth"]', 60, ['did you mean "right"?']),
    ("[wishes]", '[target]\nshape = "file"\n[wishes]', 58, ["go together"]),
    ("[wishes]", "[whishes]", 58, ['did you mean "wishes"?']),
]


@pytest.mark.parametrize(("old", "new", "line", "words"), CASES)
def test_each_fault_is_named_with_its_line(old, new, line, words):
    text = faults(old, new)
    rows = [row for row in text.split("\n") if f"line {line}:" in row]
    assert rows, text
    for word in words:
        assert any(word in row for row in rows), text


def test_a_value_in_place_of_a_table():
    text = GOOD.replace("[audio]\nsample_rate_hz = 48000\n", "")
    with pytest.raises(RoomtuneError, match=r"line 1: audio: got 3, expected a table headed"):
        system_from_toml(f"audio = 3\n{text}")
    with pytest.raises(RoomtuneError, match=r"line 1: seats: got 3, expected tables headed"):
        system_from_toml("seats = 3\n")


@pytest.mark.parametrize(("old", "new", "line", "words"), CASES)
def test_one_mistake_gives_few_faults(old, new, line, words):
    """No cascade: one wrong value must not accuse the rest of the file."""
    assert faults(old, new).count("\n") <= 2


def test_all_faults_come_at_once():
    text = GOOD
    changes = [case for case in CASES if case[2] in (8, 21, 23, 38, 51, 53, 57, 60)]
    chosen = {case[2]: case for case in reversed(changes)}
    for old, new, _, _ in chosen.values():
        text = text.replace(old, new, 1)
    with pytest.raises(RoomtuneError) as caught:
        system_from_toml(text, "my.toml")
    found = str(caught.value)
    assert found.startswith(f"my.toml has {found.count(chr(10))} faults:")
    for line in chosen:
        assert re.search(rf"line {line}:", found), found
    numbers = [int(n) for n in re.findall(r"^  line (\d+):", found, re.MULTILINE)]
    assert numbers == sorted(numbers)


def test_syntax_errors_have_line_and_column():
    text = GOOD.replace("number = 2", "number = two")
    with pytest.raises(RoomtuneError, match=r"line 26, column 10: this is not TOML") as caught:
        system_from_toml(text)
    assert "`number = two`" in str(caught.value)
    with pytest.raises(RoomtuneError, match="at its end: this is not TOML"):
        system_from_toml("a = [1, 2")
    with pytest.raises(RoomtuneError, match="line 2"):
        system_from_toml("a = 1\na = 2\nb = 3")


def test_an_empty_file_says_what_is_needed():
    with pytest.raises(RoomtuneError) as caught:
        system_from_toml("")
    for words in ("[[channels]]", "[[outputs]]", "[[seats]]", '"name" is missing'):
        assert words in str(caught.value)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(RoomtuneError, match="there is no such file"):
        read_system(tmp_path / "system.toml")
    with pytest.raises(RoomtuneError, match="cannot be read"):
        read_system(tmp_path)
    file = tmp_path / "latin.toml"
    file.write_bytes("name = 1\n# caf\xe9\n".encode("latin-1"))
    with pytest.raises(RoomtuneError, match=r"line 2: this is not UTF-8"):
        read_system(file)


def test_named_files_come_back_as_full_paths(tmp_path):
    file = tmp_path / "system.toml"
    text = GOOD.replace("interface_input = 1", 'correction_file = "cal/m.txt"')
    file.write_text(text, encoding="utf-8")
    with pytest.raises(RoomtuneError, match=r'there is no file "cal/m.txt" in .*put it there'):
        read_system(file)
    (tmp_path / "cal").mkdir()
    (tmp_path / "cal" / "m.txt").write_text("20 0\n")
    assert read_system(file).microphone.correction_file == str(tmp_path / "cal" / "m.txt")
    other = tmp_path / "session"
    other.mkdir()
    copy = other / "system.toml"
    copy.write_text(text, encoding="utf-8")
    assert read_system(copy, tmp_path).microphone.correction_file == str(tmp_path / "cal" / "m.txt")


def test_weights_of_nothing():
    text = GOOD.replace("main = true", "main = true\nweight = 0").replace("0.5", "0")
    with pytest.raises(RoomtuneError, match=r"line 46: seats: all weights are 0"):
        system_from_toml(text)


@pytest.mark.parametrize("depth", [10, 60, 100, 150, 200, 300, 1000, 5000])
def test_deep_nesting_is_told_to_people(depth):
    brackets = "[" * depth + "]" * depth
    with pytest.raises(RoomtuneError, match=r"leave_alone|nested too deep"):
        system_from_toml(GOOD.replace('["right"]', brackets))


@pytest.mark.parametrize("number", ["1" * 5000, "0x" + "f" * 5000, "1" + "0" * 400])
def test_endless_numbers_are_told_to_people(number):
    with pytest.raises(RoomtuneError, match="far too many digits"):
        system_from_toml(GOOD.replace("number = 2", f"number = {number}"))


def test_a_file_name_that_no_disk_can_have():
    text = GOOD.replace("interface_input = 1", 'correction_file = "a\\u0000b"')
    with pytest.raises(RoomtuneError, match="there is no file"):
        system_from_toml(text)


def test_windows_line_ends_and_a_byte_order_mark():
    broken = GOOD.replace("number = 2", "number = 0")
    with pytest.raises(RoomtuneError, match="line 26:"):
        system_from_toml(broken.replace("\n", "\r\n"))
    assert system_from_toml(GOOD.replace("\n", "\r\n")).name == "den"


def outcome(text):
    """What the error says; a harmless text when the system reads."""
    try:
        assert isinstance(system_from_toml(text), System)
    except RoomtuneError as error:
        return str(error)
    return "system.toml, line 0"


TEMPLATE = new_system_toml("5.1", front_ways=3, subwoofers=2)
WORDS = st.sampled_from(["=", "[", "]", "[[", "{", "}", '"', "#", "nan", "-1", "true", "1e9", ","])


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.data())
def test_any_damage_gives_a_system_or_an_error_for_people(data):
    text = data.draw(st.sampled_from([GOOD, TEMPLATE]))
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        stop = start + data.draw(st.integers(0, 30))
        put = data.draw(WORDS | st.text(max_size=4))
        text = text[:start] + put + text[stop:]
    assert outcome(text).startswith("system.toml")


literals = st.sampled_from(
    ["-1", "0", "1e400", "nan", "-inf", "true", '""', '"x"', "[]", "[1]", "{}", "{ a = 1 }"]
)
literals |= st.sampled_from(
    ["1979-05-27", "07:32:00", "99999999999999999999999", '"80 Hz"', "[[1, 2], {}]", "0.08"]
)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.data())
def test_any_other_value_gives_a_system_or_an_error_for_people(data):
    rows = data.draw(st.sampled_from([GOOD, TEMPLATE])).split("\n")
    places = [n for n, row in enumerate(rows) if re.match(r"[\w.-]+ = ", row)]
    for place in data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=4)):
        rows[place] = f"{rows[place].split(' = ')[0]} = {data.draw(literals)}"
    assert re.search(r"line \d+", outcome("\n".join(rows)))
