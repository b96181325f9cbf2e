"""Sound files written byte for byte the same every time and read back exactly.

32-bit float WAV for everything; 24-bit FLAC, a third of the size, for recordings that a
converter of at most 24 bits delivered.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomtune.signal.sound_file import read_sound

STEPS = 2**23
FLAC_CHANNELS = 8
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


def recording_bytes(samples: NDArray[np.float64], sample_rate_hz: float) -> tuple[str, bytes]:
    """Return the ending and the content of the smallest file that loses nothing of a recording.

    samples: (n, channels). FLAC where all are whole steps of 24 bits and it has
    room for the channels (8), else float WAV as `wav_bytes` writes it.
    """
    import soundfile

    steps = samples * STEPS
    whole = bool(np.all((steps == np.rint(steps)) & (steps >= -STEPS) & (steps < STEPS)))
    rate = round(sample_rate_hz)
    if not whole or samples.shape[1] > FLAC_CHANNELS or rate != sample_rate_hz:
        return ".wav", wav_bytes(samples, sample_rate_hz)
    file = io.BytesIO()
    values = (steps.astype(np.int64) << 8).astype(np.int32)
    soundfile.write(file, values, rate, format="FLAC", subtype="PCM_24")
    return ".flac", file.getvalue()


def read_wav(path: Path) -> tuple[NDArray[np.float64], float]:
    """Read a sound file: samples (n, channels) and its rate; RoomtuneError when it cannot be."""
    return read_sound(path, "restore it from a copy or measure again")
