"""The command group: help, laziness, errors for people."""

from __future__ import annotations

from importlib import import_module

import click
import pytest

from roomtune import __all__ as offered
from roomtune.cli.main import COMMANDS, main
from roomtune.errors import MeasurementError, RoomtuneError


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_loads_and_explains_itself(run, name: str) -> None:
    command = import_module(f"roomtune.cli.{name}_command").command
    assert command.name == name
    first = (command.help or "").split("\n")[0]
    assert first.endswith((".", ":"))
    result = run(name, "--help")
    assert result.exit_code == 0
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{name} {parameter.opts} lacks help"


def test_the_group_lists_the_commands_in_the_order_of_the_job(run) -> None:
    text = run("--help").output.partition("Commands:")[2]
    places = [text.index(f"\n  {name}") for name in COMMANDS]
    assert places == sorted(places)


def test_an_unknown_command_is_wrong_use(run) -> None:
    result = run("equalise")
    assert result.exit_code == 2
    assert "equalise" in result.output


@pytest.mark.parametrize(("error", "status"), [(RoomtuneError, 2), (MeasurementError, 1)])
def test_what_the_user_can_mend_is_one_sentence(run, monkeypatch, error, status: int) -> None:
    @click.command("devices")
    def failing() -> None:
        raise error("The cable is loose. Push it in.")

    monkeypatch.setattr(main, "get_command", lambda ctx, name: failing)
    result = run("devices")
    assert result.exit_code == status
    assert "The cable is loose. Push it in." in result.output
    assert "Traceback" not in result.output


def test_the_offered_names_can_be_had() -> None:
    import roomtune

    for name in offered:
        assert getattr(roomtune, name) is not None
    with pytest.raises(AttributeError, match="nonsense"):
        _ = roomtune.nonsense
