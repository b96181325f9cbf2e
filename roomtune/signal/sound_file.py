"""Reading sound files that anybody may have written, in memory that fits what they hold."""

from __future__ import annotations

import os
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import RoomtuneError

MOST_VALUES = 2**28
MOST_CHANNELS = 256
RATES_HZ = (8000, 768000)
_BLOCK_VALUES = 2**18


def read_sound(
    path: str | os.PathLike[str],
    remedy: str,
    dtype: Literal["float32", "float64"] = "float64",
) -> tuple[NDArray[Any], float]:
    """Read a sound file: samples (n, channels) re full scale, and the rate in Hz.

    Whatever libsndfile reads. Memory follows what the file holds, not the length that
    its head promises. Raises RoomtuneError, which ends with the `remedy`, for what is
    no such file, is cut off so that nothing can be read, has more than 2^28 values (90
    minutes of one channel at 48 kHz), more than 256 channels or a rate outside 8 to
    768 kHz.
    """
    import soundfile

    try:
        with soundfile.SoundFile(path) as file:
            _check(file, path, remedy)
            samples = _samples(file, path, remedy, dtype)
            return samples, float(file.samplerate)
    except (soundfile.SoundFileError, OSError, RuntimeError, TypeError, ValueError) as fault:
        raise RoomtuneError(f"{path}: cannot be read as sound ({fault}); {remedy}") from fault


def _check(file, path: str | os.PathLike[str], remedy: str) -> None:  # type: ignore[no-untyped-def]
    low, high = RATES_HZ
    if not low <= file.samplerate <= high:
        raise RoomtuneError(
            f"{path}: is at {file.samplerate} Hz, expected {low} to {high} Hz; {remedy}"
        )
    if file.channels > MOST_CHANNELS:
        raise RoomtuneError(
            f"{path}: has {file.channels} channels, expected at most {MOST_CHANNELS}; {remedy}"
        )


def _samples(  # type: ignore[no-untyped-def]
    file, path: str | os.PathLike[str], remedy: str, dtype: Literal["float32", "float64"]
) -> NDArray[Any]:
    """All samples, block by block up to the first that is short."""
    frames = max(_BLOCK_VALUES // file.channels, 1)
    blocks: list[NDArray[Any]] = []
    while True:
        block = file.read(frames, dtype=dtype, always_2d=True)
        blocks.append(block)
        if len(block) < frames:
            return np.concatenate(blocks)
        if len(blocks) * _BLOCK_VALUES > MOST_VALUES:
            minutes = MOST_VALUES / file.channels / file.samplerate / 60
            raise RoomtuneError(
                f"{path}: is longer than {minutes:.0f} minutes, the most that is read of "
                f"{file.channels} channels; cut away what is not needed, or {remedy}"
            )
