"""A command's declaration without its imports, and that help needs none of the large libraries."""

import inspect
import subprocess
import sys
from typing import Any

import pytest

from rigwarp.cli import COMMANDS
from rigwarp.commands.declared import declared

SOURCE = '''
from math import pi, tau
import no_such_library
from no_such_library import something

HALF = pi / 2.0
_UNUSED = something(HALF)


def helper() -> None:
    no_such_library.work()


def turn(by: float = HALF, *, name: str = "x") -> None:
    """Turn it."""
    helper(something)
'''


def test_only_what_the_signature_rests_on_is_carried_out() -> None:
    calls: list[Any] = []
    found = declared(SOURCE, "turn", lambda *args, **kwargs: calls.append((args, kwargs)))
    assert str(inspect.signature(found)) == "(by: float = 1.5707963267948966, *, name: str = 'x') -> None"
    assert found.__doc__ == "Turn it."
    found(2.0, name="y")
    assert calls == [((2.0,), {"name": "y"})]


def test_a_function_that_is_not_there_is_told() -> None:
    with pytest.raises(ValueError, match="no function other"):
        declared(SOURCE, "other", print)


def test_no_command_needs_the_large_libraries_for_its_help() -> None:
    script = (
        "import sys\nfrom rigwarp.cli import build_app\nbuild_app(sys.argv[1])\n"
        "print([name for name in ('numpy', 'scipy', 'cv2', 'pygame') if name in sys.modules])"
    )
    for command in COMMANDS:
        run = subprocess.run([sys.executable, "-c", script, command], capture_output=True, text=True, check=True)
        assert run.stdout.strip() == "[]", command
