"""Memory that was freed, given back to the system between the steps of a job.

Arrays of up to 32 MiB come out of heaps (glibc's mallopt(3), M_MMAP_THRESHOLD), of which holes are kept: 250 MiB of
them after a fit for a projector of 720p, on top of which the next step would come. A small board has no room for that.
"""

import ctypes
import sys

_TUNED = {-8: 1, -3: 32 << 20, -1: 512 << 20}
"""mallopt(3): M_ARENA_MAX; M_MMAP_THRESHOLD, as it becomes by itself; M_TRIM_THRESHOLD, so that the system need not
clear anew what a step frees and takes again (a fit for 1080p: half the page faults)."""


def share_one_heap() -> None:
    """Let all threads begun from now on allocate from one heap, where the system's library can be told so.

    Each has one of its own otherwise, whose free end malloc_trim(3) leaves as it is: 240 MiB after a fit for a
    projector of 1080p. For jobs that end: a player's frames are better off without.
    """
    if sys.platform.startswith("linux"):
        tune = getattr(ctypes.CDLL(None), "mallopt", None)
        if tune is not None:
            for option, value in _TUNED.items():
                tune(option, value)


def give_back_memory() -> None:
    """Give back what is free; some milliseconds, and nothing where the system's library has no such call."""
    if sys.platform.startswith("linux"):
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
