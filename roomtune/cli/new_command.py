"""roomtune new: a commented system.toml to start from."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from roomtune.cli.project import SYSTEM
from roomtune.cli.show import say
from roomtune.errors import RoomtuneError


@click.command("new")
@click.option("--layout", default="5.1", show_default=True, help="Channels to start from.")
@click.option("--scenario", help="Copy a scenario for the virtual room instead.")
def command(layout: str, scenario: str | None) -> None:
    """Write a commented system.toml to start from.

    With --scenario also room.toml, which describes a virtual room: then
    "roomtune measure --virtual ." works at once and without any hardware.
    """
    if SYSTEM.exists():
        raise RoomtuneError(
            f"There is a {SYSTEM} here already, and it stays. Use another folder, or move it away."
        )
    if scenario is not None:
        copy_scenario(scenario, Path())
        say("Wrote system.toml and room.toml. Next: roomtune measure --virtual .")
        return
    from roomtune.system.template import new_system_toml, write_new_system

    write_new_system(SYSTEM, new_system_toml(layout))
    say(f"Wrote {SYSTEM}. Describe your system in it. Next: roomtune devices")


def copy_scenario(name: str, folder: Path) -> None:
    """Copy a scenario's files into a folder; files that are there already stay."""
    from roomtune.virtual.scenario import load_scenario

    source = load_scenario(name).folder
    for file in sorted(source.iterdir()) if source else ():
        if file.is_file() and not (folder / file.name).exists():
            shutil.copyfile(file, folder / file.name)
