"""32-bit float WAV: written byte for byte the same every time, read back exactly."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.errors import RoomtuneError

_FLOAT_FORMAT = 3
_LARGEST = 2**32 - 1


def wav_bytes(samples: ArrayLike, sample_rate_hz: float) -> bytes:
    """Return a WAV file of 32-bit floats (IEEE float, RIFF) as bytes.

    samples: (n, channels) or (n,); rounded to float32, beyond full scale kept.
    Raises ValueError for a rate that is not whole or a file beyond 4 GiB.
    """
    data = np.asarray(samples, dtype="<f4")
    data = data[:, None] if data.ndim == 1 else data
    rate = round(sample_rate_hz)
    if rate != sample_rate_hz:
        raise ValueError(f"a WAV file needs a whole sample rate, got {sample_rate_hz} Hz")
    frames, channels = data.shape
    body = np.ascontiguousarray(data).tobytes()
    form = struct.pack(
        "<HHIIHHH", _FLOAT_FORMAT, channels, rate, rate * channels * 4, channels * 4, 32, 0
    )
    chunks = [(b"fmt ", form), (b"fact", struct.pack("<I", frames)), (b"data", body)]
    size = 4 + sum(8 + len(content) for _, content in chunks)
    if size > _LARGEST:
        raise ValueError(f"{size} bytes do not fit a WAV file (4 GiB)")
    head = b"RIFF" + struct.pack("<I", size) + b"WAVE"
    return head + b"".join(
        name + struct.pack("<I", len(content)) + content for name, content in chunks
    )


def read_wav(path: Path) -> tuple[NDArray[np.float64], float]:
    """Read a sound file: samples (n, channels) and its rate; RoomtuneError when it cannot be."""
    import soundfile

    try:
        samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, OSError) as error:
        raise RoomtuneError(
            f"{path}: cannot be read as sound ({error}); restore it from a copy or measure again"
        ) from error
    return samples, float(rate)
