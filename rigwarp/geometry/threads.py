"""Work on arrays in two threads: NumPy, SciPy and OpenCV let go of the interpreter while they compute."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

_THREADS = 2  # as many as the smallest machine has cores; more would fight over its memory
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def in_two_threads(work: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """`work` on each item, in order; the first exception in that order is raised."""
    todo = list(items)
    if len(todo) < _THREADS:
        return [work(item) for item in todo]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(work, todo))
