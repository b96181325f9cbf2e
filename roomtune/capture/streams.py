"""Opening, starting and ending PortAudio streams, whatever the drivers do."""

from __future__ import annotations

import atexit
import contextlib
import os
import threading
import time
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roomtune.capture.devices import Device, channels_to_open, host_settings
from roomtune.capture.passage import Direction, Passage
from roomtune.errors import MeasurementError

FIRST_BLOCK_S = 5.0
CLOSING_S = 3.0

_hanging = threading.Event()


def open_streams(
    sound: Any,
    output_device: Device,
    input_device: Device,
    played: NDArray[np.float32],
    channels: tuple[int, int],
    sample_rate_hz: float,
    exclusive: bool = False,
) -> tuple[Passage, list[Any]]:
    """Return a passage and the stream(s) that serve it, input first, not started.

    One full-duplex stream for one device, else two. `channels` are the inputs
    and outputs needed. Raises sounddevice.PortAudioError when refused.
    """
    count = (
        channels_to_open(input_device, "input", channels[0]),
        channels_to_open(output_device, "output", channels[1]),
    )
    settings = tuple(
        host_settings(sound, device, exclusive) for device in (input_device, output_device)
    )
    common = {
        "samplerate": sample_rate_hz,
        "blocksize": 0,
        "latency": "high",
        "dtype": "float32",
    }
    if input_device.number == output_device.number:
        passage = Passage(played, count[0])
        stream = sound.Stream(
            device=(input_device.number, output_device.number),
            channels=count,
            callback=passage.on_duplex,
            extra_settings=settings,
            **common,
        )
        return passage, [stream]
    passage = Passage(played, count[0], spare=round(FIRST_BLOCK_S * sample_rate_hz))
    numbers = (input_device.number, output_device.number)
    return passage, _two_streams(sound, passage, numbers, count, settings, common)


def _two_streams(
    sound: Any,
    passage: Passage,
    devices: tuple[int, int],
    channels: tuple[int, int],
    settings: tuple[Any, ...],
    common: dict[str, Any],
) -> list[Any]:
    """A stream for the input and one for the output; the first is closed when the second fails."""
    listening = sound.InputStream(
        device=devices[0],
        channels=channels[0],
        callback=passage.on_input,
        extra_settings=settings[0],
        **common,
    )
    try:
        playing = sound.OutputStream(
            device=devices[1],
            channels=channels[1],
            callback=passage.on_output,
            extra_settings=settings[1],
            **common,
        )
    except BaseException:
        listening.close()
        raise
    return [listening, playing]


def start_streams(passage: Passage, streams: Sequence[Any]) -> None:
    """Start the streams one after the other, each when the one before is running.

    Raises MeasurementError when one does not begin within `FIRST_BLOCK_S`.
    """
    turns: list[set[Direction]]
    turns = [{"input", "output"}] if len(streams) == 1 else [{"input"}, {"output"}]
    for stream, directions in zip(streams, turns, strict=True):
        stream.start()
        deadline = time.perf_counter() + FIRST_BLOCK_S
        while not directions <= set(passage.last_block_s):
            if time.perf_counter() > deadline:
                raise MeasurementError(
                    f"The sound device started, but no {' or '.join(sorted(directions))} came "
                    f"within {FIRST_BLOCK_S:.0f} s. Another program may hold it; close that, "
                    "connect the device again and repeat the measurement."
                )
            time.sleep(0.005)


def end_streams(streams: Sequence[Any]) -> None:
    """Abort and close the streams, output first.

    A driver whose device or server is gone may hang for ever in there. It is
    left to hang on a thread of its own, and PortAudio is not touched again:
    not even at exit, where it would hold up the end of the program.
    """

    def close() -> None:
        for stream in reversed(streams):
            stream.abort()
        for stream in reversed(streams):
            stream.close()

    closing = threading.Thread(target=close, name="closing sound streams", daemon=True)
    with without_library_messages():
        closing.start()
        closing.join(CLOSING_S)
    if closing.is_alive():
        leave_library()


def leave_library() -> None:
    """Touch PortAudio no more, not even at exit: it hangs or aborts without its device."""
    import sounddevice

    _hanging.set()
    atexit.unregister(sounddevice._exit_handler)


def check_not_hanging() -> None:
    """Raise MeasurementError when PortAudio hangs since a device was lost."""
    if _hanging.is_set():
        raise MeasurementError(
            "The sound library hangs since the device was lost; start the program again. "
            "What was measured before is kept."
        )


@contextlib.contextmanager
def without_library_messages() -> Iterator[None]:
    """Keep the debugging lines of C sound libraries off the terminal meanwhile."""
    try:
        kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    except OSError:
        yield
        return
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
