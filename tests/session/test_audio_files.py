"""Raw recordings: nothing is lost, whatever the file."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from roomtune.session.audio_files import read_wav, recording_bytes


@given(st.integers(1, 8), st.integers(1, 400), st.integers(0, 2**32 - 1))
@settings(derandomize=True, deadline=None, max_examples=40)
def test_steps_of_24_bits_come_back_exactly_from_flac(
    channels: int, frames: int, seed: int
) -> None:
    steps = np.random.default_rng(seed).integers(-(2**23), 2**23, (frames, channels))
    samples = steps / 2**23
    ending, data = recording_bytes(samples, 48000.0)
    read, rate = soundfile.read(io.BytesIO(data), dtype="float64", always_2d=True)
    assert ending == ".flac"
    assert rate == 48000
    assert np.array_equal(read, samples)


@pytest.mark.parametrize(
    "samples",
    [
        np.full((10, 1), 1 / 3, dtype=np.float32).astype(float),
        np.full((10, 1), 1.0),
        np.zeros((10, 9)),
        np.array([[1.5], [-2.0]]),
    ],
    ids=["finer than 24 bits", "full scale reached", "nine channels", "beyond full scale"],
)
def test_what_flac_cannot_hold_becomes_float_wav(tmp_path, samples) -> None:
    ending, data = recording_bytes(samples, 44100.0)
    (tmp_path / "raw.wav").write_bytes(data)
    read, rate = read_wav(tmp_path / "raw.wav")
    assert ending == ".wav"
    assert rate == 44100
    assert np.array_equal(read, samples)
