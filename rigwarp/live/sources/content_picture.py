"""Pictures as content, not far larger than is shown; large ones are decoded by a process of their own.

Decoding hundreds of megabytes beside a show would hold up its frames: threads of one process share the interpreter and
the lock on its memory. The process has a low priority, one thread and a bound on its memory, what damages it
damages nothing else, and only the few megabytes that are shown come back.
"""

import os
import struct
import subprocess
import sys
from pathlib import Path
from threading import Timer
from typing import Any, Final

import numpy as np

from rigwarp.errors import InputError
from rigwarp.files import read_colour
from rigwarp.files.pictures import picture_size
from rigwarp.live.render.picture import Picture, within

MOST_PIXELS: Final = 100_000_000
"""Of a picture to show."""
_HERE_PIXELS = 3_000_000
"""What is decoded within two frames."""
_MOST_WORK_S = 60
_MOST_S = 300.0
"""By the clock: on a busy machine the process gets little of the processor."""
_MOST_BYTES = 4 << 30
_HEAD = struct.Struct("<II")  # rows and columns; what is refused has none, and the reason behind it
_PROGRAM = "import sys; from rigwarp.live.sources.content_picture import hand_over; hand_over(*sys.argv[1:])"


def content_picture(path: Path, most_px: tuple[int, int]) -> Picture:
    """The picture in a file, reduced to (width, height) where it is far larger.

    Raises
    ------
    InputError
        It cannot be read, or is too large.
    """
    size = picture_size(path)
    if size is None or size[0] * size[1] <= _HERE_PIXELS:
        return within(read_colour(path, most_pixels=MOST_PIXELS), most_px)
    child = subprocess.Popen(
        [sys.executable, "-P", "-c", _PROGRAM, path, *map(str, most_px)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is the player's
    )
    overdue = Timer(_MOST_S, child.kill)
    overdue.daemon = True
    overdue.start()
    try:
        assert child.stdout is not None
        return _received(child.stdout, path)
    finally:
        overdue.cancel()
        child.kill()  # most often it has ended by itself
        child.communicate()


def _received(answer: Any, path: Path) -> Picture:
    """What `hand_over` wrote, read into place: joining pieces would hold up the frame loop."""
    rows, columns = _HEAD.unpack(answer.read(_HEAD.size).ljust(_HEAD.size, b"\0"))
    picture = np.empty((rows, columns, 3), np.uint8)
    if picture.size and answer.readinto(picture.data) == picture.nbytes:
        return picture
    reason = answer.read().decode("utf-8", "replace") if not picture.size else ""
    raise InputError(
        reason or f"{path}: cannot be read as a picture within {_MOST_S:g} s and {_MOST_BYTES >> 30} GB. Reduce it."
    )


def hand_over(path: str, width: str, height: str) -> None:
    """What the process does: the picture, or why there is none, to stdout."""
    import cv2

    _step_back()
    cv2.setNumThreads(1)
    try:
        picture = within(read_colour(Path(path), most_pixels=MOST_PIXELS), (int(width), int(height)))
        sys.stdout.buffer.write(_HEAD.pack(*picture.shape[:2]))
        sys.stdout.buffer.write(np.ascontiguousarray(picture).data)
    except InputError as error:
        sys.stdout.buffer.write(_HEAD.pack(0, 0) + str(error).encode("utf-8", "replace"))


def _step_back() -> None:
    """Let others have the processor first, and take no more memory than there is reason for."""
    try:
        import resource
    except ImportError:  # Windows keeps no such limits
        return
    os.nice(10)  # more would starve it beside other programs
    resource.setrlimit(resource.RLIMIT_CPU, (_MOST_WORK_S, _MOST_WORK_S))
    resource.setrlimit(resource.RLIMIT_DATA, (_MOST_BYTES, _MOST_BYTES))
