"""Command lines in this process."""

from collections.abc import Callable

import pytest

from rigwarp.cli import main


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Run a command line in this process: exit code, stdout, stderr."""

    def go(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        return code, *capsys.readouterr()

    return go
