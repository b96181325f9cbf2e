"""tuning.json: the agreed form, the round trip, and faults with the path of the key."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.errors import RoomtuneError
from roomtune.processor.storage import (
    read_tuning,
    tuning_from_json,
    tuning_to_json,
    write_tuning,
)
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    Limiter,
    OutputSetting,
    Route,
    Tuning,
)

DESIGN = """
{ "format": "roomtune tuning", "version": 1, "sample_rate_hz": 48000,
  "channels": [ {"name": "C", "gain_db": 0.0, "filters": []} ],
  "routes":   [ {"channel": "C", "output": "sub-left", "gain_db": -6.0, "inverted": false,
                 "delay_ms": 0.0, "filters": []} ],
  "outputs":  [ {"name": "sub-left", "number": 3, "gain_db": -4.5, "inverted": false,
                 "delay_ms": 2.31,
                 "filters": [ {"type": "high pass", "family": "Butterworth", "order": 2,
                               "frequency_hz": 18.0},
                              {"type": "peaking", "frequency_hz": 41.3, "q": 6.2,
                               "gain_db": -7.4} ],
                 "limiter": {"threshold_dbfs": -6.0, "attack_ms": 10.0, "release_ms": 200.0} } ] }
"""


def test_the_agreed_example_reads_and_comes_back_equal():
    tuning = tuning_from_json(DESIGN)
    assert tuning.output("sub-left") == OutputSetting(
        "sub-left",
        3,
        -4.5,
        False,
        2.31,
        (
            Filter("high pass", 18.0, family="Butterworth", order=2),
            Filter("peaking", 41.3, 6.2, -7.4),
        ),
        Limiter(-6.0, 10.0, 200.0),
    )
    assert json.loads(tuning_to_json(tuning)) == json.loads(DESIGN)


numbers = st.floats(-60, 12)
frequency = st.floats(10, 20000)
names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=8)
any_filter = st.one_of(
    st.builds(
        Filter,
        st.sampled_from(["peaking", "low shelf", "high shelf"]),
        frequency,
        st.floats(0.1, 20),
        numbers,
    ),
    st.builds(Filter, st.sampled_from(["all pass", "notch"]), frequency, st.floats(0.1, 20)),
    st.builds(
        Filter,
        st.sampled_from(["low pass", "high pass"]),
        frequency,
        family=st.sampled_from(["Butterworth", "Bessel"]),
        order=st.integers(1, 8),
    ),
    st.builds(
        Filter,
        st.just("fir"),
        taps=st.lists(st.floats(-1, 1), min_size=1, max_size=5).map(tuple),
    ),
)
filters = st.lists(any_filter, max_size=3).map(tuple)


@st.composite
def tunings(draw):
    channel_names = draw(st.lists(names, min_size=1, max_size=3, unique=True))
    output_names = draw(st.lists(names, min_size=1, max_size=3, unique=True))
    channels = tuple(ChannelSetting(n, draw(numbers), draw(filters)) for n in channel_names)
    outputs = tuple(
        OutputSetting(
            n, k, draw(numbers), draw(st.booleans()), draw(st.floats(0, 40)), draw(filters)
        )
        for k, n in enumerate(output_names, start=1)
    )
    routes = tuple(
        Route(c, o, draw(numbers), draw(st.booleans()), draw(st.floats(0, 40)), draw(filters))
        for c in channel_names
        for o in output_names
        if draw(st.booleans())
    )
    style = draw(st.sampled_from(["float64", "float32", "5.23"]))
    return Tuning(48000.0, channels, routes, outputs, style)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(tunings())
def test_round_trip(tuning):
    assert tuning_from_json(tuning_to_json(tuning)) == tuning


def test_files_round_trip_and_leave_nothing_behind(tmp_path):
    tuning = tuning_from_json(DESIGN)
    file = tmp_path / "tuning.json"
    write_tuning(file, tuning)
    write_tuning(file, tuning)
    assert read_tuning(file) == tuning
    assert [p.name for p in tmp_path.iterdir()] == ["tuning.json"]


def test_filters_stand_one_on_a_line():
    lines = tuning_to_json(tuning_from_json(DESIGN)).splitlines()
    assert any(line.strip().startswith('{"type": "peaking"') for line in lines)
    assert max(map(len, lines)) <= 110


def test_taps_come_from_a_wav_file(tmp_path):
    import soundfile

    taps = np.array([1.0, -0.5, 0.25])
    soundfile.write(tmp_path / "taps.wav", taps, 48000, subtype="DOUBLE")
    data = json.loads(DESIGN)
    data["outputs"][0]["filters"] = [{"type": "fir", "taps": "taps.wav"}]
    file = tmp_path / "tuning.json"
    file.write_text(json.dumps(data))
    assert read_tuning(file).outputs[0].filters == (Filter("fir", taps=(1.0, -0.5, 0.25)),)
    data["sample_rate_hz"] = 96000
    file.write_text(json.dumps(data))
    with pytest.raises(RoomtuneError, match=r"at 48000 Hz, .*one channel at 96000"):
        read_tuning(file)
    data["outputs"][0]["filters"][0]["taps"] = "gone.wav"
    file.write_text(json.dumps(data))
    with pytest.raises(RoomtuneError, match=r"filters\[0\].taps: the WAV file .*gone.wav"):
        read_tuning(file)


def faults_of(change):
    data = json.loads(DESIGN)
    change(data)
    with pytest.raises(RoomtuneError) as caught:
        tuning_from_json(json.dumps(data))
    return str(caught.value)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (lambda d: d.update(format="x"), "format: got 'x', expected \"roomtune tuning\""),
        (lambda d: d.update(version=2), "version: got 2, expected 1"),
        (lambda d: d.update(chanels=[]), "chanels: unknown key; did you mean 'channels'?"),
        (lambda d: d["outputs"][0]["filters"].append({"type": "biquad", "b": 3}), "[2].b: got 3"),
        (lambda d: d.pop("routes"), "routes: got nothing, expected a list"),
        (lambda d: d.update(sample_rate_hz="48 kHz"), "sample_rate_hz: got '48 kHz'"),
        (lambda d: d.update(number_format="5"), "number_format: got '5'"),
        (lambda d: d["outputs"][0].update(number=1.5), "outputs[0].number: got 1.5"),
        (lambda d: d["outputs"][0].update(delay_ms=-1), "outputs[0].delay_ms: got -1"),
        (lambda d: d["outputs"][0].update(inverted="no"), "outputs[0].inverted: got 'no'"),
        (lambda d: d["outputs"].append(d["outputs"][0]), "outputs[0] and outputs[1]: the same"),
        (lambda d: d["routes"][0].update(output="x"), "routes[0].output: got 'x', expected one"),
        (
            lambda d: d["outputs"][0]["filters"][1].update(q=-1),
            "outputs[0].filters[1].q: got -1, expected more than 0",
        ),
        (
            lambda d: d["outputs"][0]["filters"][1].update(Q=3),
            "outputs[0].filters[1].Q: unknown key; did you mean 'q'?",
        ),
        (
            lambda d: d["outputs"][0]["filters"][1].pop("gain_db"),
            "outputs[0].filters[1].gain_db: is missing",
        ),
        (
            lambda d: d["outputs"][0]["filters"][0].update(family="Chebyshev"),
            "outputs[0].filters[0].family: got 'Chebyshev'",
        ),
        (
            lambda d: d["outputs"][0]["filters"].append({"type": "peeking"}),
            "outputs[0].filters[2].type: got 'peeking', expected one of peaking",
        ),
        (
            lambda d: d["outputs"][0]["filters"].append({"type": ["peaking"]}),
            "outputs[0].filters[2].type: got ['peaking'], expected",
        ),
        (
            lambda d: d["outputs"][0]["limiter"].pop("threshold_dbfs"),
            "outputs[0].limiter.threshold_dbfs: got nothing",
        ),
    ],
)
def test_faults_name_the_path(change, text):
    assert text in faults_of(change)


def test_all_faults_come_at_once():
    def change(data):
        data["version"] = 3
        data["outputs"][0]["number"] = 0
        data["outputs"][0]["filters"][1]["frequency_hz"] = 0.0413e6

    text = faults_of(change)
    assert "3 faults" in text
    assert text.count("\n") == 3


def test_files_that_are_no_tuning(tmp_path):
    with pytest.raises(RoomtuneError, match=r"line 1, column 2: this is not JSON"):
        tuning_from_json("{,}")
    with pytest.raises(RoomtuneError, match="there is no such tuning"):
        read_tuning(tmp_path / "none.json")
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RoomtuneError, match="cannot be read as text"):
        read_tuning(tmp_path / "b.json")
    with pytest.raises(RoomtuneError, match="cannot be written"):
        write_tuning(tmp_path / "none" / "tuning.json", tuning_from_json(DESIGN))
    huge = DESIGN.replace("-7.4", "1" + "0" * 400)
    for text in ("[]", "3", "null", '{"channels": 3}', "[" * 10**5, "1" * 5000, huge):
        with pytest.raises(RoomtuneError):
            tuning_from_json(text)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats(-10, 10) | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=4,
)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.data())
def test_any_damage_gives_a_tuning_or_an_error_for_people(data):
    document = json.loads(DESIGN)
    place = document
    while isinstance(place, dict | list) and place:
        keys = list(place) if isinstance(place, dict) else range(len(place))
        key = data.draw(st.sampled_from(list(keys)))
        if not isinstance(place[key], dict | list) or data.draw(st.booleans()):
            place[key] = data.draw(json_values)
            break
        place = place[key]
    try:
        tuning = tuning_from_json(json.dumps(document))
    except RoomtuneError:
        return
    assert tuning_from_json(tuning_to_json(tuning)) == tuning
