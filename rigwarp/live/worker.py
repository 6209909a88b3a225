"""Work beside the frame loop, which never waits for any of it: not for its beginning, its result or its end."""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Any, TypeVar

T = TypeVar("T")
_Asked = tuple[Callable[[], Any], "Future[Any]"]


class Worker:
    """A thread that does what it is asked to, one thing after the other.

    A daemon, and no pool of `concurrent.futures`, whose threads Python waits for at its end: what hangs is left behind.
    """

    def __init__(self, name: str) -> None:
        self._asked: SimpleQueue[_Asked | None] = SimpleQueue()
        self._thread = threading.Thread(target=_work_on, args=(self._asked,), name=name, daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> int:
        """How much has been asked for and not begun."""
        return self._asked.qsize()

    def submit(self, work: Callable[[], T]) -> "Future[T]":
        """Do it when everything before it is done."""
        future: Future[T] = Future()
        self._asked.put((work, future))
        return future

    def apart(self, work: Callable[[], T], name: str) -> "Future[T]":
        """Do it in a thread of its own, which this one starts: whoever starts a thread waits until it runs."""
        future: Future[T] = Future()
        thread = threading.Thread(target=_carry_out, args=(work, future), name=name, daemon=True)
        self.submit(thread.start)
        return future

    def close(self, *, within_s: float = 0.0) -> None:
        """Take no more, and wait a little for what was asked for."""
        self._asked.put(None)
        self._thread.join(timeout=within_s)


def _work_on(asked: "SimpleQueue[_Asked | None]") -> None:
    while (one := asked.get()) is not None:
        _carry_out(*one)


def _carry_out(work: Callable[[], Any], future: "Future[Any]") -> None:
    try:
        future.set_result(work())
    except BaseException as error:  # it belongs to whoever takes the result
        future.set_exception(error)
