"""What a test needs and this machine lacks: it skips, or fails where RIGWARP_REQUIRE_GL, _X, _BROWSER or _CAMERAS says
that this machine has it."""

import os
from typing import NoReturn

import pytest


def is_required(what: str) -> bool:
    """Whether it has to be there; `what`: the variable's last word."""
    return os.environ.get(f"RIGWARP_REQUIRE_{what}", "") not in ("", "0")


def lack(what: str, found: str) -> NoReturn:
    """Skip or fail; `found`: what is missing, and how to get it."""
    if is_required(what):
        pytest.fail(f"RIGWARP_REQUIRE_{what} is set: {found}")
    pytest.skip(found)
