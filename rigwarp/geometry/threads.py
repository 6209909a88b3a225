"""Work on arrays in two threads: NumPy, SciPy and OpenCV let go of the interpreter while they compute."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

_BAND = 1 << 17  # elements of a band of rows: few enough to stay near the processor
_PART = 1 << 15  # of things that have several numbers each, as samples have
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


def by_rows(work: Callable[[slice], _Result], shape: tuple[int, ...]) -> list[_Result]:
    """`work` on bands of rows of an (H, W) picture, from top to bottom."""
    return by_parts(work, shape[0], at_once=max(1, _BAND // max(1, shape[1])))


def by_parts(work: Callable[[slice], _Result], count: int, *, at_once: int = _PART) -> list[_Result]:
    """`work` on slices of `count` things, such as samples, from the first to the last."""
    return in_two_threads(work, [slice(begin, min(begin + at_once, count)) for begin in range(0, count, at_once)])


def all_in_two_threads(*work: Callable[[], Any]) -> list[Any]:
    """What each of several functions returns, in order."""
    return in_two_threads(lambda one: one(), work)
