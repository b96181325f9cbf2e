"""Where the sound is made: the real interface, or a virtual room in its place.

A stage knows what a person has to do between takes: put the microphone on the
next seat, switch the amplifier by hand. In a virtual room it happens by itself.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import click

from roomtune.cli.show import say

if TYPE_CHECKING:
    from roomtune.capture.interface import AudioInterface
    from roomtune.capture.requests import TakeRequest
    from roomtune.processor.tuning import Tuning
    from roomtune.system.model import System
    from roomtune.virtual.room import VirtualRoom

CAUTIONS = (
    "Sound can hurt. Keep people, pets and your own ears away from the loudspeakers.",
    "A tweeter dies from bass: check that each output really feeds the driver named here.",
    "Start with the amplifier turned well down. Ctrl-C is silence at once.",
)


class Stage(Protocol):
    """An audio interface and the hands around it."""

    interface: AudioInterface

    def go_to(self, seat: str) -> None:
        """Have the microphone put on a seat."""

    def switch_to(self, request: TakeRequest) -> None:
        """Have the amplifier switched to the driver of a request."""

    def switch_back(self) -> None:
        """Have the amplifier switched back to its usual state."""

    def load(self, tuning: Tuning | None) -> None:
        """Have a tuning loaded into the amplifier; None: pass straight through."""

    def mute_all_but(self, rest: Tuning, output: str) -> None:
        """Have every output muted but one; `rest` is what is left of the tuning then."""


class RealStage:
    """The interface named in system.toml, and a person who does what is asked."""

    def __init__(self, system: System, unattended: bool = False) -> None:
        from roomtune.capture.portaudio import PortAudioInterface

        audio = system.audio
        self.unattended = unattended
        self.seat = ""
        self.interface: AudioInterface = PortAudioInterface(
            output_device=audio.output_device,
            input_device=audio.input_device,
            sample_rate_hz=audio.sample_rate_hz,
            exclusive=audio.exclusive,
        )

    def go_to(self, seat: str) -> None:
        """Ask for the microphone to be put on a seat, unless it stands there."""
        if seat == self.seat:
            return
        self.seat = seat
        self._ask(f"Put the microphone on the seat {seat}, at ear height, pointing up.")

    def switch_to(self, request: TakeRequest) -> None:
        """Ask for the amplifier to be switched, where the request says so."""
        what = request.instruction or f"Switch the amplifier to {request.source} alone."
        self._ask(what)

    def switch_back(self) -> None:
        """Ask for the amplifier to be switched back."""
        self._ask("Switch the amplifier back to its usual state, all drivers connected.")

    def load(self, tuning: Tuning | None) -> None:
        """Ask for the settings to be typed in."""
        what = (
            "Load the tuning into the amplifier."
            if tuning
            else "Set the amplifier to pass every input straight to its output."
        )
        self._ask(what)

    def mute_all_but(self, rest: Tuning, output: str) -> None:
        """Ask for every output to be muted but one."""
        number = rest.output(output).number
        self._ask(f"Mute every output of the amplifier but {number}, {output}.")

    def _ask(self, what: str) -> None:
        if self.unattended:
            say(what)
        else:
            click.pause(f"{what} Then press any key.", err=True)


class VirtualStage:
    """A virtual room; everything asked for is done at once."""

    def __init__(self, room: VirtualRoom) -> None:
        self.room = room
        self.interface: AudioInterface = room

    def go_to(self, seat: str) -> None:
        """Put the microphone on a seat."""
        self.room.move_microphone(seat)

    def switch_to(self, request: TakeRequest) -> None:
        """Switch the amplifier to the driver of a request."""
        self.room.switch_to(request.source)

    def switch_back(self) -> None:
        """Switch the amplifier back."""
        self.room.switch_to(None)

    def load(self, tuning: Tuning | None) -> None:
        """Load a tuning into the virtual processor."""
        self.room.apply(tuning)

    def mute_all_but(self, rest: Tuning, output: str) -> None:
        """Load what is left of the tuning."""
        self.room.apply(rest)


def open_stage(
    system: System,
    virtual: str | None,
    rearrangement: str | None = None,
    unattended: bool = False,
) -> Stage:
    """The stage to measure on: a virtual room when one is named, else the real interface."""
    if virtual is None:
        return RealStage(system, unattended)
    from roomtune.virtual.room import VirtualRoom
    from roomtune.virtual.scenario import load_scenario

    choice = Path(virtual) if Path(virtual).exists() else virtual
    room = VirtualRoom(load_scenario(choice), system)
    return VirtualStage(room.rearranged(rearrangement) if rearrangement else room)


def consent(loudest_dbfs: float, takes: int, seconds: float, yes: bool) -> None:
    """State what will sound and how loud; go on only with consent. Aborts without."""
    say(
        f"{takes} takes, about {max(1, round(seconds / 60))} min of sound, at most "
        f"{loudest_dbfs:.1f} dB re digital full scale, each output in its safe band only."
    )
    if yes:
        return
    for caution in CAUTIONS:
        say(caution)
    click.confirm("Play now?", abort=True, err=True)
