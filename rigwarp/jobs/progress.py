"""How a job speaks while it works: stages that advance, and notes. Who runs the job decides what becomes of them."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class Progress(Protocol):
    """The only way a job speaks before it returns its result."""

    def stage(self, total: int, label: str) -> AbstractContextManager[Callable[..., None]]:
        """A piece of work of `total` steps; yields `advance(steps=1)`."""
        ...

    def note(self, text: str) -> None:
        """Something worth knowing that is no part of the result."""
        ...


class Silent:
    """Progress that nobody watches."""

    @contextmanager
    def stage(self, total: int, label: str) -> Iterator[Callable[..., None]]:
        yield _ignore

    def note(self, text: str) -> None:
        pass


SILENT = Silent()


def _ignore(steps: int = 1) -> None:
    """A step that nobody counts."""
