"""The entry point: a group that loads a command only when it is asked for."""

from __future__ import annotations

import os
from importlib import import_module

import click

from roomtune import __version__
from roomtune.errors import RoomtuneError

# The matrices here are small and many: threads of the linear algebra would mostly wait for each
# other, at ten times the processor time, and the last bits would depend on their number.
for library in ("OPENBLAS", "MKL"):
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")

COMMANDS = {
    "new": "Write a commented system.toml to start from.",
    "devices": "List the audio devices and what they can do.",
    "level": "Show the level at the microphone, and calibrate it.",
    "soundcheck": "Listen to the room and to every output, quietly, before measuring.",
    "measure": "Measure every output at every seat.",
    "import": "Read a recording made by any recorder.",
    "analyse": "Show what the takes of a session say.",
    "advise": "Work out a complete tuning from the takes.",
    "export": "Write the tuning or the responses for other programs.",
    "verify": "Measure through the tuned amplifier and hold it against the prediction.",
    "check": "Tell in two minutes whether anything changed.",
    "compare": "Say what changed between sessions.",
    "retune": "Find the smallest change of the tuning that brings the result back.",
    "sessions": "List, name, note, tag, check and pack sessions.",
    "report": "Write the report of a session as one HTML file.",
    "rehearse": "Do the whole job in a virtual room, without any hardware.",
}


class CommandGroup(click.Group):
    """A click group whose commands live one per module beside this file."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, loaded now; None when there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"roomtune.cli.{cmd_name}_command")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; what the user can mend is said in one sentence."""
        try:
            return super().invoke(ctx)
        except RoomtuneError as error:
            raise Failure(error) from error


class Failure(click.ClickException):
    """How click shows an error that the user can mend."""

    def __init__(self, error: RoomtuneError) -> None:
        from roomtune.cli.show import visible

        super().__init__(visible(str(error)))
        self.exit_code: int = error.exit_status  # type: ignore[misc]


@click.group(cls=CommandGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="roomtune %(version)s")
def main() -> None:
    """Measure, tune and verify an active home-cinema loudspeaker system.

    The commands work on the folder they are run in: it holds system.toml, and
    sessions/ grows there. Start with "roomtune new", or watch the whole job
    in a virtual room with "roomtune rehearse".
    """
