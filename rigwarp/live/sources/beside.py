"""Opening and closing sources beside the frame loop, which waits for neither: a camera or a disk may hang for ever."""

import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Future, wait
from functools import partial

from rigwarp.errors import RigwarpError
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.source import Source
from rigwarp.live.worker import Worker

log = logging.getLogger(__name__)
_MOST_AT_ONCE = 4
"""Sources that are being opened; what hangs in one is given up and costs a thread."""
_END_S = 6.0
"""A decoder or camera that takes longer to end is left to its thread."""


class Doorman:
    """Opens by `open_named` (None: nothing) the source that was asked for last, and closes those that are left.

    `counts` is where refused names are counted.
    """

    def __init__(self, open_named: Callable[[str], Source] | None, counts: Counts) -> None:
        self._open_named, self._counts = open_named, counts
        self._opening: tuple[str, Future[Source]] | None = None
        self._at_work: list[Future[Source]] = []
        self._worker = Worker("rigwarp-beside")

    def open(self, name: str) -> None:
        """Begin to open a source; one that is still being opened is given up."""
        if self._open_named is None:
            return
        self._at_work = [future for future in self._at_work if not future.done()]
        if len(self._at_work) >= _MOST_AT_ONCE:
            self._counts.refused += 1
            log.warning("the old source stays: %s: %d others are still being opened", name[:200], len(self._at_work))
            return
        self.give_up()
        future = self._worker.apart(partial(self._open_named, name), "rigwarp-open")
        self._at_work.append(future)
        self._opening = (name, future)

    def take(self) -> tuple[str, Source] | None:
        """The source that was asked for and its name, once, as soon as it is open."""
        if self._opening is None or not self._opening[1].done():
            return None
        (name, future), self._opening = self._opening, None
        self._at_work = [other for other in self._at_work if other is not future]  # it would keep the pictures
        try:
            return name, future.result()
        except RigwarpError as error:
            log.warning("the old source stays: %s", error)
        except Exception:  # whatever a file or camera comes up with must not end the show
            log.exception("the old source stays: %s cannot be opened", name[:200])
        self._counts.refused += 1
        return None

    def give_up(self) -> None:
        """Want nothing any more: what comes up later is closed."""
        if self._opening is not None:
            self._opening[1].add_done_callback(self._close_unused)  # at once, in this thread, if it is open already
            self._opening = None

    def close_beside(self, source: Source) -> "Future[None]":
        """Close a source that is left, without waiting for it."""
        return self._worker.apart(source.close, "rigwarp-close")

    def close(self, sources: Sequence[Source]) -> None:
        """Open nothing any more, and close these; what hangs is left behind after a while."""
        self.give_up()
        wait([self.close_beside(source) for source in sources], timeout=_END_S)
        self._worker.close()

    def _close_unused(self, future: "Future[Source]") -> None:
        if future.exception() is None:
            self.close_beside(future.result())
