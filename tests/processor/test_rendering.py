"""Rendering equals the predicted response, and scipy's own cascade."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.errors import RoomtuneError
from roomtune.processor.files import render_file
from roomtune.processor.filters import filter_sections
from roomtune.processor.limiting import RunningLimiter
from roomtune.processor.rendering import Renderer, render
from roomtune.processor.response import delay_samples, output_response, tuning_response
from roomtune.processor.tuning import (
    ChannelSetting,
    Filter,
    Limiter,
    OutputSetting,
    Route,
    Tuning,
)

RATE = 48000.0
TAPS = tuple((np.random.default_rng(0).normal(size=300) / 20).tolist())
FULL = Tuning(
    RATE,
    (
        ChannelSetting("L", -1.0, (Filter("low shelf", 120.0, 0.7, 3.0),)),
        ChannelSetting("C"),
        ChannelSetting("LFE", 10.0, (Filter("low pass", 120.0, family="Butterworth", order=4),)),
    ),
    (
        Route("L", "a", -3.0, True, 1.234, (Filter("all pass", 90.0, 1.1),)),
        Route("C", "a", 0.0),
        Route("C", "b", 1.0),
        Route("LFE", "b", -6.0),
    ),
    (
        OutputSetting(
            "a",
            1,
            -2.0,
            False,
            3.21,
            (
                Filter("high pass", 2000.0, family="Linkwitz-Riley", order=4),
                Filter("peaking", 41.3, 6.2, -7.4),
                Filter("notch", 500.0, 3.0),
            ),
        ),
        OutputSetting(
            "b",
            2,
            0.0,
            True,
            0.0,
            (
                Filter("high pass", 25.0, family="Butterworth", order=3),
                Filter("low pass", 300.0, family="Bessel", order=5),
                Filter("fir", taps=TAPS),
                Filter("biquad", b=(0.9, -0.3, 0.1), a=(1.0, -0.5, 0.2)),
                Filter("high shelf", 5000.0, 0.8, -2.0),
            ),
            Limiter(-6.0),
        ),
        OutputSetting("silent", 3),
    ),
)


def impulse(place, length=1 << 17):
    programme = np.zeros((length, 3))
    programme[0, place] = 1
    return programme


@pytest.mark.parametrize("style", ["float64", "float32", "5.23"])
@pytest.mark.parametrize("place", [0, 1, 2])
def test_rendering_equals_the_predicted_response(place, style):
    from dataclasses import replace

    tuning = replace(FULL, number_format=style)
    rendered = render(tuning, impulse(place))
    grid = np.fft.rfftfreq(len(rendered), 1 / RATE)
    predicted = tuning_response(tuning, grid)[place]
    found = np.fft.rfft(rendered, axis=0).T
    assert np.abs(found - predicted).max() < 1e-9
    assert not rendered[:, 2].any()


def test_rendering_equals_the_cascade_of_scipy():
    from scipy.signal import sosfilt

    rng = np.random.default_rng(1)
    programme = rng.normal(size=(20000, 3)) * 0.1
    programme[:, [0, 2]] = 0
    found = render(FULL, programme)[:, 0]
    sections = np.concatenate([filter_sections(f, RATE) for f in FULL.outputs[0].filters])
    wanted = np.zeros(20000)
    delay = 154  # 3.21 ms at 48 kHz is 154.08 samples
    wanted[delay:] = 10 ** (-2 / 20) * sosfilt(sections, programme[:, 1])[:-delay]
    assert np.abs(found - wanted).max() < 1e-12


def test_what_sounds_together_is_the_sum_of_what_sounds_alone():
    rng = np.random.default_rng(2)
    programme = rng.normal(size=(5000, 3))
    alone = [render(FULL, programme * np.eye(3)[place]) for place in range(3)]
    np.testing.assert_allclose(render(FULL, programme), sum(alone), atol=1e-12)


def test_delays_are_the_nearest_whole_samples():
    for delay_ms, samples in ((0.0, 0), (0.0103, 0), (0.0105, 1), (1.0, 48), (3.21, 154)):
        assert delay_samples(delay_ms, RATE) == samples
        tuning = Tuning(
            RATE,
            (ChannelSetting("C"),),
            (Route("C", "a"),),
            (OutputSetting("a", 1, delay_ms=delay_ms),),
        )
        assert np.argmax(render(tuning, np.eye(200)[:, :1])) == samples
        turn = tuning_response(tuning, [1000.0])[0, 0, 0]
        assert turn == pytest.approx(np.exp(-2j * np.pi * 1000 * samples / RATE), abs=1e-12)
        smooth = tuning_response(tuning, [1000.0], whole_samples=False)[0, 0, 0]
        assert smooth == pytest.approx(np.exp(-2j * np.pi * delay_ms), abs=1e-12)
    with pytest.raises(ValueError, match="cannot be -1 ms"):
        delay_samples(-1.0, RATE)


def test_a_delay_longer_than_the_programme_leaves_silence():
    tuning = Tuning(
        RATE, (ChannelSetting("C"),), (Route("C", "a"),), (OutputSetting("a", 1, delay_ms=40.0),)
    )
    assert not render(tuning, np.ones((100, 1))).any()


def test_output_response_is_the_end_of_the_chain():
    grid = np.geomspace(20, 20000, 30)
    np.testing.assert_allclose(
        output_response(FULL, "b", grid) * 10 ** (1 / 20),
        tuning_response(FULL, grid)[1, 1],
        rtol=1e-12,
    )


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.data())
def test_any_tuning_renders_as_predicted(data):
    frequency = st.floats(60, 20000)
    item = st.one_of(
        st.builds(Filter, st.just("peaking"), frequency, st.floats(0.3, 6), st.floats(-12, 12)),
        st.builds(Filter, st.just("high shelf"), frequency, st.floats(0.4, 2), st.floats(-9, 9)),
        st.builds(
            Filter,
            st.sampled_from(["low pass", "high pass"]),
            frequency,
            family=st.sampled_from(["Butterworth", "Bessel"]),
            order=st.integers(1, 6),
        ),
    )
    gain, delay = st.floats(-20, 10), st.floats(0, 20)
    filters = st.lists(item, max_size=3).map(tuple)
    tuning = Tuning(
        RATE,
        (ChannelSetting("C", data.draw(gain), data.draw(filters)),),
        (Route("C", "a", data.draw(gain), data.draw(st.booleans()), data.draw(delay)),),
        (OutputSetting("a", 1, data.draw(gain), False, data.draw(delay), data.draw(filters)),),
    )
    rendered = render(tuning, np.eye(1 << 15, 1))
    grid = np.fft.rfftfreq(1 << 15, 1 / RATE)
    wanted = tuning_response(tuning, grid)[0, 0]
    scale = max(1.0, np.abs(wanted).max())
    assert np.abs(np.fft.rfft(rendered[:, 0]) - wanted).max() < 1e-9 * scale


def test_wrong_use_is_named():
    with pytest.raises(ValueError, match=r"expected \(n, 3\)"):
        render(FULL, np.zeros((10, 2)))
    stray = Tuning(RATE, (ChannelSetting("C"),), (Route("C", "b"),), (OutputSetting("a", 1),))
    with pytest.raises(ValueError, match="'C' -> 'b'"):
        render(stray, np.ones((10, 1)))
    with pytest.raises(ValueError, match="half the sample rate"):
        tuning_response(FULL, [30000.0])


def limited_sine(level_db, limiter, seconds=1.0):
    time = np.arange(int(RATE * seconds)) / RATE
    tuning = Tuning(
        RATE,
        (ChannelSetting("C"),),
        (Route("C", "a"),),
        (OutputSetting("a", 1, limiter=limiter),),
    )
    programme = 10 ** (level_db / 20) * np.sin(2 * np.pi * 1000 * time)[:, None]
    return programme[:, 0], render(tuning, programme, limiters=True)[:, 0]


def test_a_limiter_leaves_what_is_below_its_threshold():
    programme, found = limited_sine(-6.01, Limiter(-6.0))
    np.testing.assert_array_equal(programme, found)
    assert render(FULL, impulse(1)).any()


def test_a_limiter_brings_a_steady_tone_to_its_threshold():
    _, found = limited_sine(6.0, Limiter(-6.0, attack_ms=2.0, release_ms=200.0))
    settled = np.abs(found[len(found) // 2 :]).max()
    assert 20 * np.log10(settled) == pytest.approx(-6.0, abs=0.1)


def test_a_limiter_without_attack_never_lets_a_peak_pass():
    rng = np.random.default_rng(4)
    for release_ms in (0.0, 50.0):
        limiter = RunningLimiter(Limiter(-10.0, attack_ms=0.0, release_ms=release_ms), RATE)
        found = limiter(rng.normal(size=20000))
        assert np.abs(found).max() <= 10 ** (-10 / 20) * (1 + 1e-9)
    burst = np.zeros(48000)
    burst[100] = 1.0
    reduction = RunningLimiter(Limiter(-10.0, 0.0, 100.0), RATE).reduction_db(burst)
    assert reduction[99] == 0
    assert reduction[100] == pytest.approx(10, rel=1e-9)
    # One time constant later the reduction in dB has fallen to 1/e.
    assert reduction[100 + 4800] == pytest.approx(10 / np.e, rel=1e-9)


def test_attack_follows_its_time_constant():
    step = np.ones(4800)
    reduction = RunningLimiter(Limiter(-20.0, 10.0, 0.0), RATE).reduction_db(step)
    assert reduction[479] == pytest.approx(20 * (1 - np.exp(-1)), rel=1e-9)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.lists(st.integers(0, 3000), min_size=1, max_size=6), st.booleans())
def test_blocks_of_any_length_join_to_the_whole(lengths, limiters):
    from dataclasses import replace

    outputs = tuple(replace(o, limiter=Limiter(-12.0, 1.0, 30.0)) for o in FULL.outputs)
    tuning = replace(FULL, outputs=outputs)
    programme = np.random.default_rng(6).normal(size=(sum(lengths), 3))
    # Silence at the start and in the middle, each channel waking at its own time.
    programme[: len(programme) // 3, 0] = 0
    programme[len(programme) // 2 :, 1:] = 0
    whole = render(tuning, programme, limiters)
    renderer = Renderer(tuning, limiters)
    starts = np.cumsum([0, *lengths])
    parts = [renderer.process(programme[a:b]) for a, b in itertools.pairwise(starts)]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-12)


def test_files_are_rendered_block_by_block(tmp_path):
    import soundfile

    programme = np.random.default_rng(7).normal(size=(150000, 3)) * 0.1
    soundfile.write(tmp_path / "in.wav", programme, 48000, subtype="DOUBLE")
    peaks = render_file(FULL, tmp_path / "in.wav", tmp_path / "out.wav", tail_s=0.5)
    found, rate = soundfile.read(tmp_path / "out.wav")
    wanted = render(FULL, np.concatenate([programme, np.zeros((24000, 3))]))
    assert rate == 48000
    np.testing.assert_allclose(found, wanted, atol=1e-7)
    np.testing.assert_allclose(peaks, np.abs(wanted).max(axis=0), rtol=1e-12)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in.wav", "out.wav"]


def test_files_that_do_not_fit_are_refused(tmp_path):
    import soundfile

    soundfile.write(tmp_path / "two.wav", np.zeros((10, 2)), 48000)
    soundfile.write(tmp_path / "rate.wav", np.zeros((10, 3)), 44100)
    target = tmp_path / "out.wav"
    with pytest.raises(RoomtuneError, match="has 2 channels, expected 3: L, C, LFE"):
        render_file(FULL, tmp_path / "two.wav", target)
    with pytest.raises(RoomtuneError, match="is at 44100 Hz, expected 48000 Hz"):
        render_file(FULL, tmp_path / "rate.wav", target)
    with pytest.raises(RoomtuneError, match="cannot be rendered"):
        render_file(FULL, tmp_path / "none.wav", target)
    soundfile.write(tmp_path / "good.wav", np.zeros((10, 3)), 48000)
    with pytest.raises(RoomtuneError, match="cannot be rendered"):
        render_file(FULL, tmp_path / "good.wav", tmp_path / "none" / "out.wav")
    assert not target.exists()
