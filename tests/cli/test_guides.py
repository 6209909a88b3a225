"""The guides name commands and options that exist."""

import pytest
import typer
from readme import commands_told

from rigwarp.cli import COMMANDS, build_app

TOLD = sorted(commands_told())


def test_the_guides_tell_of_every_command() -> None:
    assert {command for command, _ in TOLD} == set(COMMANDS)


@pytest.mark.parametrize(("command", "option"), TOLD)
def test_what_the_guides_tell_exists(command: str, option: str) -> None:
    parameters = typer.main.get_command(build_app(command)).commands[command].params  # type: ignore[attr-defined]
    known = {name for parameter in parameters for name in (*parameter.opts, *parameter.secondary_opts)}
    assert not option or option in known
