"""The parts of a system while they are being checked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from roomtune.system.faults import Fault
from roomtune.system.model import (
    AudioSettings,
    Channel,
    Loudspeaker,
    Microphone,
    Output,
    Processor,
    Seat,
    Target,
    Wishes,
)


@dataclass(frozen=True)
class Draft:
    """The parts of a system before they are known to fit together.

    A key that is not sound by itself holds None, whatever its type says.
    `names` holds every name given; `complete` tells for each list whether all
    of its parts are sound.
    """

    microphone: Microphone
    audio: AudioSettings
    processor: Processor
    target: Target
    wishes: Wishes
    channels: tuple[Channel, ...] = ()
    loudspeakers: tuple[Loudspeaker, ...] = ()
    outputs: tuple[Output, ...] = ()
    seats: tuple[Seat, ...] = ()
    names: dict[str, list[str]] = field(default_factory=dict)
    complete: dict[str, bool] = field(default_factory=dict)


Check = Callable[[Draft], Iterator[Fault]]


def band_is_sound(band_hz: tuple[float, float] | None) -> bool:
    """Whether a safe band has its ends in order, apart, and in Hz."""
    return band_hz is not None and 0 < 1.1 * band_hz[0] < band_hz[1] and band_hz[1] >= 30


def quoted(value: object) -> str:
    """A text in quotes, anything else as it is."""
    return f'"{value}"' if isinstance(value, str) else str(value)
