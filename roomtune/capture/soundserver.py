"""How many channels really lie behind a sound server (PulseAudio, PipeWire).

A server offers any number of channels and mixes. Too few, and it spreads them:
a stream of two channels on a device of six also plays output 1 on outputs 3 and
5, which could send a woofer's sweep into a tweeter. Too many only cost level.
So a stream needs exactly as many channels as the server's own device has.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from typing import Literal

Kind = Literal["input", "output"]

PATIENCE_S = 3.0
LISTS = {"input": "sources", "output": "sinks"}
DEFAULTS = {"input": "Default Source", "output": "Default Sink"}
VARIABLES = {"input": "PULSE_SOURCE", "output": "PULSE_SINK"}


def server_channels(kind: Kind, name: str) -> int | None:
    """Return how many channels the server's device has, None when it cannot be asked.

    `name`: the device's name in PortAudio. A server's device of the same name
    counts, else the one that the environment (PULSE_SINK, PULSE_SOURCE) or the
    server itself makes the default. Asks through the program `pactl`.
    """
    listing = _ask("list", LISTS[kind])
    if listing is None:
        return None
    channels = channels_by_name(listing)
    chosen = os.environ.get(VARIABLES[kind]) or _default(_ask("info") or "", kind)
    return channels.get(name, channels.get(chosen))


def channels_by_name(listing: str) -> dict[str, int]:
    """Return the channels of each device from the text of `pactl list sinks`."""
    pairs = re.findall(
        r"^\s*Name: (\S+)$.*?^\s*Sample Specification: \S+ (\d+)ch", listing, re.M | re.S
    )
    return {name: int(channels) for name, channels in pairs}


def _default(information: str, kind: Kind) -> str:
    found = re.search(rf"^{DEFAULTS[kind]}: (\S+)$", information, re.M)
    return found.group(1) if found else ""


def _ask(*words: str) -> str | None:
    """What `pactl` answers, None when it is missing, silent or refused."""
    program = shutil.which("pactl")
    if program is None:
        return None
    try:
        done = subprocess.run(
            [program, *words],
            env={**os.environ, "LC_ALL": "C"},
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=True,
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout
