"""Sound files of any width, cut off, or far too long."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from roomtune.errors import RoomtuneError
from roomtune.signal import sound_file
from roomtune.signal.sound_file import read_sound

TONE = 0.5 * np.sin(np.arange(5000) * 0.1)


@pytest.mark.parametrize(
    ("subtype", "step"), [("PCM_U8", 2**-7), ("PCM_16", 2**-15), ("PCM_24", 2**-23), ("FLOAT", 0)]
)
@pytest.mark.parametrize("channels", [1, 2])
def test_any_width_comes_back_to_within_its_step(tmp_path, subtype, step, channels):
    path = tmp_path / "tone.wav"
    wanted = np.stack([TONE, -TONE], axis=1)[:, :channels]
    soundfile.write(path, wanted, 44100, subtype)
    samples, rate_hz = read_sound(path, "record again")
    assert rate_hz == 44100
    np.testing.assert_allclose(samples, wanted, atol=1.01 * step + 1e-7)


def test_blocks_are_put_together_exactly(tmp_path, monkeypatch):
    path = tmp_path / "noise.flac"
    steps = np.random.default_rng(1).integers(-(2**23), 2**23, (10_007, 3))
    soundfile.write(path, (steps << 8).astype(np.int32), 48000, "PCM_24")
    monkeypatch.setattr(sound_file, "_BLOCK_VALUES", 1000)
    samples, _ = read_sound(path, "record again", "float32")
    assert samples.dtype == np.float32
    np.testing.assert_array_equal(samples, (steps / 2**23).astype(np.float32))


def test_a_file_cut_off_holds_what_is_left(tmp_path):
    path = tmp_path / "cut.wav"
    soundfile.write(path, TONE, 48000, "PCM_16")
    path.write_bytes(path.read_bytes()[:4044])
    samples, _ = read_sound(path, "record again")
    assert len(samples) == 2000
    np.testing.assert_allclose(samples[:, 0], TONE[:2000], atol=2**-15)


def test_hours_of_sound_are_refused_with_what_is_read_at_most(tmp_path, monkeypatch):
    path = tmp_path / "long.flac"
    soundfile.write(path, np.zeros((480_000, 2)), 8000)
    monkeypatch.setattr(sound_file, "MOST_VALUES", 480_000)
    monkeypatch.setattr(sound_file, "_BLOCK_VALUES", 10_000)
    with pytest.raises(RoomtuneError, match=r"longer than 0 minutes, .* 2 channels; cut away"):
        read_sound(path, "record again")


@pytest.mark.parametrize(
    ("name", "channels", "rate_hz", "sentence"),
    [
        ("slow.wav", 1, 4000, "is at 4000 Hz, expected 8000 to 768000 Hz; record again"),
        ("wide.wav", 300, 48000, "has 300 channels, expected at most 256; record again"),
    ],
)
def test_sound_that_nothing_here_makes_is_refused(tmp_path, name, channels, rate_hz, sentence):
    soundfile.write(tmp_path / name, np.zeros((10, channels)), rate_hz)
    with pytest.raises(RoomtuneError, match=sentence):
        read_sound(tmp_path / name, "record again")


@pytest.mark.parametrize("name", ["take.raw", "take.wav", "gone.wav", "."])
def test_what_is_no_sound_is_told(tmp_path, name):
    if name.startswith("take"):
        (tmp_path / name).write_bytes(b"\x01\x02\x03\x04" * 20)
    with pytest.raises(RoomtuneError, match=r"cannot be read as sound .*; record again"):
        read_sound(tmp_path / name, "record again")
