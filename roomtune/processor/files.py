"""Rendering a sound file through a tuning, block by block."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from roomtune.errors import RoomtuneError
from roomtune.processor.rendering import Renderer
from roomtune.processor.tuning import Tuning

_BLOCK = 1 << 16


def render_file(
    tuning: Tuning,
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    *,
    limiters: bool = False,
    tail_s: float = 0.0,
) -> NDArray[np.float64]:
    """Render a sound file into a float WAV (RF64 beyond 4 GiB) with one channel per output.

    The source has the tuning's channels in order, at its sample rate; `tail_s`
    of silence is appended so that what rings on is kept. Returns the peak of
    every output re full scale, shape (outputs,). Raises RoomtuneError when the
    source does not fit, holds what is no number, or a file cannot be read or written.
    """
    import soundfile

    renderer = Renderer(tuning, limiters)
    peaks = np.zeros(len(tuning.outputs))
    rate = int(tuning.sample_rate_hz)
    temporary = Path(f"{os.fspath(target)}.part")
    try:
        with soundfile.SoundFile(source) as reader:
            _check(tuning, reader, source)
            frames = reader.frames + round(tail_s * rate)
            large = frames * len(peaks) * 4 > 2**32 - 2**16
            with soundfile.SoundFile(
                temporary, "w", rate, len(peaks), "FLOAT", format="RF64" if large else "WAV"
            ) as writer:
                for block in _blocks(reader, frames, source):
                    rendered = renderer.process(block)
                    peaks = np.maximum(peaks, np.abs(rendered).max(axis=0, initial=0.0))
                    writer.write(rendered)
        temporary.replace(target)
    except (OSError, soundfile.SoundFileError) as fault:
        raise RoomtuneError(f"{source} cannot be rendered into {target}: {fault}") from None
    finally:
        temporary.unlink(missing_ok=True)
    return peaks


def _check(tuning: Tuning, reader, source: str | os.PathLike[str]) -> None:  # type: ignore[no-untyped-def]
    names = ", ".join(channel.name for channel in tuning.channels)
    if reader.channels != len(tuning.channels):
        raise RoomtuneError(
            f"{source} has {reader.channels} channels, expected {len(tuning.channels)}: {names}"
        )
    if reader.samplerate != tuning.sample_rate_hz:
        raise RoomtuneError(
            f"{source} is at {reader.samplerate} Hz, expected {tuning.sample_rate_hz:g} Hz as "
            "in the tuning; convert it first"
        )


def _blocks(reader, frames: int, source: str | os.PathLike[str]):  # type: ignore[no-untyped-def]
    """The file in blocks, then silence up to `frames`."""
    for start in range(0, frames, _BLOCK):
        wanted = min(_BLOCK, frames - start)
        block = reader.read(wanted, dtype="float64", always_2d=True, fill_value=0.0)
        if not np.isfinite(block).all():
            raise RoomtuneError(
                f"{source} holds samples that are no numbers, in the block from "
                f"{start / reader.samplerate:.1f} s: restore it or write it anew"
            )
        yield block
