"""Short questions about a rig, answered by a process of their own: the server stays small, and quick to start."""

import io
import subprocess
import sys
from collections.abc import Mapping
from typing import Any, Final

from rigwarp.talk.pipes import packed, read_message

_SECONDS: Final = 120.0


def ask_helper(request: Mapping[str, Any]) -> tuple[dict[str, Any], bytes]:
    """What `rigwarp.page.job` answers to a request; waits for it.

    Returns
    -------
    The message, with "why" where it did not work, and the bytes behind it.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-m", "rigwarp.page.job"],
            input=packed(request),
            stdout=subprocess.PIPE,
            timeout=_SECONDS,
            check=False,
        )
        found = read_message(io.BytesIO(done.stdout))
    except (OSError, ValueError, subprocess.TimeoutExpired):
        found = None
    return (
        found if found is not None else ({"why": "the rig folder could not be asked; the terminal may tell more"}, b"")
    )
