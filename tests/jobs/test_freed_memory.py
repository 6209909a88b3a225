"""What was freed between two steps of a job is given back to the system. Each in a process with a new heap."""

import ctypes
import subprocess
import sys

import pytest

pytestmark = pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "mallopt"), reason="the C library is not glibc")

_HOLES = """
import numpy as np
from rigwarp.jobs.freed_memory import give_back_memory
from rigwarp.live.run.unattended import resident_mib
del [np.ones(30 << 20, np.uint8)][0]  # from now on what is smaller comes out of the heap (mallopt(3))
arrays = [np.ones(8 << 20, np.uint8) for _ in range(20)]
last = np.ones(1 << 20, np.uint8)  # above the holes
arrays.clear()
before_mib = resident_mib()
give_back_memory()
assert last.all()
print(before_mib - resident_mib())
"""
_THREADS = """
import sys, threading
import numpy as np
from rigwarp.jobs.freed_memory import give_back_memory, share_one_heap
from rigwarp.live.run.unattended import resident_mib
if sys.argv[1] == "one":
    share_one_heap()
del [np.ones(30 << 20, np.uint8)][0]

def work(turn):
    arrays = [np.ones(4 << 20, np.uint8) for _ in range(10)]
    turn.wait()  # all at once, so that each thread takes a heap of its own where it may
    arrays.clear()
    turn.wait()  # a thread that has ended would hand its heap on

before_mib, turn = resident_mib(), threading.Barrier(5)
threads = [threading.Thread(target=work, args=(turn,)) for _ in range(4)]
for thread in threads:
    thread.start()
turn.wait()
turn.wait()
for thread in threads:
    thread.join()
give_back_memory()
print(resident_mib() - before_mib)
"""


def said_mib(code: str, *arguments: str) -> float:
    """The number that a program prints."""
    return float(subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, check=True).stdout)


def test_holes_are_given_back():
    assert said_mib(_HOLES) > 100.0


def test_threads_that_share_a_heap_leave_nothing_behind():
    """glibc trims the free end of the first heap alone (malloc_trim(3)): others keep what is below M_TRIM_THRESHOLD."""
    left_mib = {heaps: said_mib(_THREADS, heaps) for heaps in ("one", "many")}
    assert left_mib["one"] < 10.0
    assert left_mib["many"] > left_mib["one"] + 50.0
