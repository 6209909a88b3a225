"""What was freed between two steps of a job is given back to the system."""

import ctypes

import numpy as np
import pytest

from rigwarp.jobs.freed_memory import give_back_memory
from rigwarp.live.run.unattended import resident_mib


def test_holes_are_given_back():
    if not hasattr(ctypes.CDLL(None), "malloc_trim"):
        give_back_memory()  # does nothing there
        pytest.skip("the C library is not glibc, of which the figures are")
    del [np.ones(30 << 20, np.uint8)][0]  # from now on what is smaller comes out of the heap (mallopt(3))
    arrays = [np.ones(8 << 20, np.uint8) for _ in range(20)]
    last = np.ones(1 << 20, np.uint8)  # above the holes
    arrays.clear()
    before_mib = resident_mib()
    give_back_memory()
    assert resident_mib() < before_mib - 100
    assert last.all()
