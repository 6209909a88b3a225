"""What is watched and logged while content plays: frame counts, memory, the screen, the last look at the drift."""

import logging
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rigwarp.devices import VIRTUAL
from rigwarp.errors import RigwarpError
from rigwarp.files import RigFolder
from rigwarp.jobs.progress import Progress
from rigwarp.live.sources.aim import AimSource, FocusWatch
from rigwarp.live.sources.source import Source

if TYPE_CHECKING:
    from rigwarp.live.run.session import Session
    from rigwarp.live.run.window import Window

_STATS_S = 1.0


@contextmanager
def logged(progress: Progress, log_file: Path | None) -> Iterator[None]:
    """Warnings become notes, and everything goes to the log file where there is one."""
    from rigwarp.live.run.unattended import start_log

    logger = logging.getLogger("rigwarp")
    handlers: list[logging.Handler] = [_Notes(progress)]
    if log_file is not None:
        handlers.append(start_log(log_file))
    logger.addHandler(handlers[0])
    try:
        yield
    finally:
        for handler in handlers:
            logger.removeHandler(handler)
            handler.close()


@contextmanager
def drift_watch(folder: RigFolder, session: "Session", hours: float | None) -> Iterator[None]:
    if hours is None:
        yield
        return
    from rigwarp.jobs.checks.watch import DriftWatch  # brings the measuring rooms, which a plain show does not need

    logger = logging.getLogger(DriftWatch.__module__)
    logger.setLevel(logging.INFO)
    last_word = _LastWord(session)
    logger.addHandler(last_word)
    try:
        with DriftWatch(folder, session.interludes, hours=hours):
            yield
    finally:
        logger.removeHandler(last_word)


@contextmanager
def focus_watch(progress: Progress, folder: RigFolder, source: Source) -> Iterator[None]:
    """While the picture for aiming is shown: how sharp the rig's camera sees it, where it has one."""
    if not isinstance(source, AimSource):
        yield
        return
    from rigwarp.devices.video_camera import open_video_camera

    device = folder.rig.camera.device
    if device == VIRTUAL:
        progress.note("No live sharpness: a virtual camera does not see this window.")
        yield
        return
    try:
        camera = open_video_camera(device, folder.rig.camera.resolution)
    except RigwarpError as error:  # the outlines are of use without one
        progress.note(f"No live sharpness: {error}")
        yield
        return
    told = _Notes(progress, logging.INFO)
    told.addFilter(lambda record: record.levelno < logging.WARNING)  # those are noted already
    logger = logging.getLogger(FocusWatch.__module__)
    logger.addHandler(told)
    logger.setLevel(logging.INFO)
    try:
        with closing(camera), FocusWatch(source, camera):
            yield
    finally:
        logger.removeHandler(told)


class FrameWatch:
    """Looks at the session after every frame: tells counts, and stops when too much memory is in use."""

    def __init__(self, progress: Progress, heart: Any, *, statistics: bool, leave_with_screen: bool) -> None:
        self._progress, self._heart, self._statistics = progress, heart, statistics
        self._leave_with_screen = leave_with_screen
        self._next_s, self._next_look_s = 0.0, 0.0
        self.window: Window | None = None

    def frame(self, session: "Session") -> Any:
        """Called after every flip; a reason ends the run."""
        now = session.run_s
        if self._statistics and now >= self._next_s:
            self._next_s = now + _STATS_S
            self._progress.note("  ".join(f"{key} {value}" for key, value in session.pacing.as_dict().items()))
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


class _Notes(logging.Handler):
    """Records of this level and above, for whoever watches the player's progress."""

    def __init__(self, progress: Progress, level: int = logging.WARNING) -> None:
        super().__init__(level)
        self._progress = progress

    def emit(self, record: logging.LogRecord) -> None:
        """One line."""
        self._progress.note(record.getMessage())
