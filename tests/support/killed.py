"""A command that is killed at one of the calls by which names come and go: rename, link, unlink, mkdir and their like.

Killed means that nothing after it happens: an exception that nobody catches, and every further such call raises it
again, so that no clean-up does anything either. In the process itself, because starting Python for each of a hundred
calls would take minutes.
"""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

CALLS = ("rename", "replace", "link", "symlink", "unlink", "remove", "mkdir", "rmdir")


class Killed(BaseException):
    """What a killed command ends with."""


class Counter:
    """How many of the calls there were."""

    def __init__(self, last: int | None) -> None:
        self.made = 0
        self._last = last

    def around(self, call: Callable[..., Any]) -> Callable[..., Any]:
        """The call, which is the last thing that happens when it is the last one."""

        def counted(*args: Any, **kwargs: Any) -> Any:
            if self._last is not None and self.made >= self._last:
                raise Killed
            self.made += 1
            return call(*args, **kwargs)

        return counted


@contextmanager
def killed_after(last: int | None) -> Iterator[Counter]:
    """Inside the `with` block the process dies when it wants to make one more call after `last`; None: never."""
    counter = Counter(last)
    originals = {name: getattr(os, name) for name in CALLS}
    for name, call in originals.items():
        setattr(os, name, counter.around(call))
    try:
        yield counter
    finally:
        for name, call in originals.items():
            setattr(os, name, call)
