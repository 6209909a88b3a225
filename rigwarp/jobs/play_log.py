"""What is watched and logged while content plays: frame counts, memory, the screen, the last look at the drift."""

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rigwarp.devices import VIRTUAL
from rigwarp.errors import RigwarpError
from rigwarp.files import RigFolder, current_result
from rigwarp.files.names import QUICK_FILE
from rigwarp.jobs.progress import Progress
from rigwarp.live.sources.aim import AimSource, FocusWatch
from rigwarp.live.sources.source import Source

if TYPE_CHECKING:
    from rigwarp.live.operate.page_link import PageLink
    from rigwarp.live.run.session import Session
    from rigwarp.live.run.window import Window
    from rigwarp.live.worker import Worker

_STATS_S = 1.0
_MOST_WAITING = 1000
_LAST_WORDS_S = 2.0
"""What a terminal or disk has not taken by then at the end is lost."""


@contextmanager
def _heard(logger: logging.Logger, handler: logging.Handler) -> Iterator[None]:
    """Everything from INFO on that is logged meanwhile goes to the handler, too."""
    logger.setLevel(logging.INFO)
    logger.addHandler(handler)
    try:
        yield
    finally:
        logger.removeHandler(handler)


@contextmanager
def logged(progress: Progress, log_file: Path | None) -> Iterator[Callable[[str], None]]:
    """Warnings become notes, and everything goes to the log file where there is one; yields a way to note more.

    All of it is written by a thread of its own: a disk or a terminal that takes nothing must not stop the show.
    """
    from rigwarp.live.run.unattended import open_log
    from rigwarp.live.worker import Worker

    logger = logging.getLogger("rigwarp")
    targets: list[logging.Handler] = [_Told(lambda record: progress.note(record.getMessage()), logging.WARNING)]
    if log_file is not None:
        targets.append(open_log(log_file))
        logger.setLevel(logging.INFO)
    worker = Worker("rigwarp-log")
    handler = _Beside(worker, targets)
    logger.addHandler(handler)
    try:
        yield lambda text: handler.later(partial(progress.note, text))
    finally:
        logger.removeHandler(handler)
        worker.close(within_s=_LAST_WORDS_S)
        for target in targets:
            target.close()


@contextmanager
def drift_watch(
    folder: RigFolder, session: "Session", hours: float | None, page: "PageLink | None" = None
) -> Iterator[None]:
    """Look for drift so often, None: never; jobs of the page get the camera meanwhile."""
    if hours is None:
        yield
        return
    from rigwarp.jobs.checks.watch import DriftWatch  # brings the measuring rooms, which a plain show does not need

    logger = logging.getLogger(DriftWatch.__module__)
    with _heard(logger, _LastWord(session)):
        if not (current_result(folder.root) / QUICK_FILE).exists():
            logger.warning("drift cannot be told before: rigwarp verify %s, with the picture in its place", folder.root)
        with DriftWatch(folder, session.interludes, hours=hours) as watch:
            if page is not None:
                page.give_camera = watch.give_camera
            yield


def page_log(page: "PageLink | None") -> AbstractContextManager[None]:
    """What is logged is read at the page, too; handed over without waiting."""
    if page is None:
        return nullcontext()
    told = _Told(lambda record: page.noted(record.levelname, record.getMessage()))
    return _heard(logging.getLogger("rigwarp"), told)


@contextmanager
def focus_watch(
    progress: Progress, folder: RigFolder, source: Source, page: "PageLink | None" = None
) -> Iterator[None]:
    """While the picture for aiming is shown: how sharp the rig's camera sees it, where it has one.

    Jobs of the page get the camera meanwhile.
    """
    if not isinstance(source, AimSource):
        yield
        return
    from rigwarp.devices.open_camera import open_camera

    wanted = folder.rig.camera
    if wanted.device == VIRTUAL:
        progress.note("No live sharpness: a virtual camera does not see this window.")
        yield
        return
    opened = partial(open_camera, wanted.device, wanted.resolution, wanted.channel)
    try:
        camera = opened()
    except RigwarpError as error:  # the outlines are of use without one
        progress.note(f"No live sharpness: {error}")
        yield
        return
    told = _Told(lambda record: progress.note(record.getMessage()))
    told.addFilter(lambda record: record.levelno < logging.WARNING)  # those are noted already
    with (
        _heard(logging.getLogger(FocusWatch.__module__), told),
        FocusWatch(source, camera, again=opened) as watch,
    ):
        if page is not None:
            page.give_camera = watch.give_camera
        yield


class FrameWatch:
    """Looks at the session after every frame: tells counts, and stops when too much memory is in use."""

    def __init__(self, note: Callable[[str], None], heart: Any, *, statistics: bool, leave_with_screen: bool) -> None:
        self._note, self._heart, self._statistics = note, heart, statistics
        self._leave_with_screen = leave_with_screen
        self._next_s, self._next_look_s = 0.0, 0.0
        self.window: Window | None = None

    def frame(self, session: "Session") -> Any:
        """Called after every flip; a reason ends the run."""
        now = session.run_s
        if self._statistics and now >= self._next_s:
            self._next_s = now + _STATS_S
            self._note("  ".join(f"{key} {value}" for key, value in session.pacing.as_dict().items()))
        if self._leave_with_screen and self.window is not None and now >= self._next_look_s:
            self._next_look_s = now + _STATS_S
            if not self.window.screen_is_there():
                return "screen"
        return "memory" if self._heart.too_large else None


class _LastWord(logging.Handler):
    """Keeps what the drift watch logged last for whoever asks at the table or from afar."""

    def __init__(self, session: "Session") -> None:
        super().__init__(logging.INFO)
        self._session = session

    def emit(self, record: logging.LogRecord) -> None:
        """One line, with its time."""
        when = datetime.fromtimestamp(record.created, UTC)
        self._session.watch_says = f"{when:%Y-%m-%d %H:%M} UTC: {record.getMessage()}"
        if record.levelno >= logging.WARNING:
            self._session.watch_warned = self._session.watch_says


class _Told(logging.Handler):
    """Hands each record of a level or above it over."""

    def __init__(self, tell: Callable[[logging.LogRecord], object], level: int = logging.INFO) -> None:
        super().__init__(level)
        self._tell = tell

    def emit(self, record: logging.LogRecord) -> None:
        """One line."""
        self._tell(record)


class _Beside(logging.Handler):
    """Hands lines to a worker; where it is stuck, lines are lost before memory is."""

    def __init__(self, worker: "Worker", targets: Sequence[logging.Handler]) -> None:
        super().__init__()
        self._worker, self._targets = worker, targets

    def emit(self, record: logging.LogRecord) -> None:
        """One line, its words as they are now."""
        record.message = record.getMessage()
        record.msg, record.args = record.message, None
        self.later(partial(self._write, record))

    def later(self, work: Callable[[], object]) -> None:
        """Do this when all lines before it are written."""
        if self._worker.waiting < _MOST_WAITING:
            self._worker.submit(work)

    def _write(self, record: logging.LogRecord) -> None:
        for target in self._targets:
            if record.levelno >= target.level:
                target.emit(record)  # without its lock, which one that hangs would keep: logging ends by taking all
