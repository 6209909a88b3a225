"""Memory that was freed, given back to the system between the steps of a job.

Arrays of up to 32 MiB come out of heaps (glibc's mallopt(3), M_MMAP_THRESHOLD), of which holes are kept: 250 MiB of
them after a fit for a projector of 720p, on top of which the next step would come. A small board has no room for that.
"""

import ctypes
import sys

_M_ARENA_MAX = -8  # mallopt(3)


def share_one_heap() -> None:
    """Let all threads begun from now on allocate from one heap, where the system's library can be told so.

    Each thread has one of its own otherwise, whose free end malloc_trim(3) leaves as it is: 240 MiB after a fit for a
    projector of 1080p.
    """
    if sys.platform.startswith("linux"):
        tune = getattr(ctypes.CDLL(None), "mallopt", None)
        if tune is not None:
            tune(_M_ARENA_MAX, 1)


def give_back_memory() -> None:
    """Give back what is free; some milliseconds, and nothing where the system's library has no such call."""
    if sys.platform.startswith("linux"):
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
