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


class Person(Protocol):
    """Whoever may be standing at the rig while a job runs."""

    def ask(self, prompt: str) -> bool:
        """Put a prompt and wait for the answer; False where nobody is there to answer."""
        ...

    def entered(self) -> bool:
        """Whether a line was entered since the last call; never waits."""
        ...


class Nobody:
    """A rig with nobody beside it."""

    def ask(self, prompt: str) -> bool:
        return False

    def entered(self) -> bool:
        return False


class Silent:
    """Progress that nobody watches."""

    @contextmanager
    def stage(self, total: int, label: str) -> Iterator[Callable[..., None]]:
        yield uncounted

    def note(self, text: str) -> None:
        pass


SILENT = Silent()
NOBODY = Nobody()


def uncounted(steps: int = 1) -> None:
    """A step that nobody counts."""
