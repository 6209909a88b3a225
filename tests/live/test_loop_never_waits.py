"""Whatever hangs beside the frame loop hangs for ever here, and frames are drawn on; no time is asserted.

In a process of its own, where a hook of Python's auditing (PEP 578) and traps in `threading` note what the loop's
thread does that could wait: files, sockets, imports, starting and joining threads, waiting for an event. The garbage
collector is kept off everything older than the show.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = Path(__file__).parents[1] / "support" / "hanging_show.py"
KINDS = ("open", "close", "unwanted", "folder", "stream", "video", "keeper", "log", "status", "page")


@pytest.fixture(scope="module")
def found():
    done = subprocess.run(
        [sys.executable, PROGRAM, *KINDS],
        env={**os.environ, "SDL_VIDEODRIVER": "offscreen", "SDL_AUDIODRIVER": "dummy"},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
        timeout=100,  # a frame loop that waits would wait for ever
    )
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.parametrize("kind", KINDS)
def test_frames_are_drawn_while_something_hangs_for_ever(found, kind):
    assert found[kind]["frames_after_it_hung"] >= 50
    assert found[kind]["loop_did"] == []


@pytest.mark.parametrize("kind", ["open", "close", "unwanted", "folder", "stream", "video", "log", "status", "page"])
def test_what_is_shown_next_comes_all_the_same(found, kind):
    assert found[kind]["next_was_shown"]
