"""A camera or a network stream as a source: the newest frame, and a new start when it dies."""

import logging
import threading
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np

from rigwarp.live.render.picture import Picture, within
from rigwarp.live.run.statistics import Counts
from rigwarp.live.sources.source import Source
from rigwarp.talk.hosts import without_password

log = logging.getLogger(__name__)
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 10.0


class StreamSource(Source):
    """The newest frame of a camera (its number) or stream (its address); black until the first one has come.

    Parameters
    ----------
    address : what OpenCV's VideoCapture takes.
    counts : where new starts are counted.
    open_stream : opens an address; returns something with isOpened, read and release.
    most_px : (width, height) that far larger frames are reduced to; None: as they come.
    first_wait_s : pause before the first new start; it doubles up to ten seconds.
    """

    def __init__(
        self,
        address: int | str,
        *,
        counts: Counts | None = None,
        open_stream: Callable[[Any], Any] = cv2.VideoCapture,
        most_px: tuple[int, int] | None = None,
        first_wait_s: float = _FIRST_WAIT_S,
    ) -> None:
        self._address, self._open, self._first_wait_s = address, open_stream, first_wait_s
        self._counts, self._most_px = counts or Counts(), most_px
        self._newest: Picture = np.zeros((48, 64, 3), np.uint8)
        self._ended, self._came = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._read_on, name="rigwarp-stream", daemon=True)
        self._thread.start()

    def at(self, time_s: float) -> Picture:
        """The newest frame, whatever the time."""
        return self._newest

    def ready(self, timeout_s: float) -> bool:
        """Wait until a frame has come, for programs that need one."""
        return self._came.wait(timeout_s)

    def close(self) -> None:
        """Let go of the camera; one that hangs in a read is left to its thread."""
        self._ended.set()
        self._thread.join(timeout=2.0)

    def _read_on(self) -> None:
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # pages of its own beside our one line
        wait_s = self._first_wait_s
        while not self._ended.is_set():
            if self._read_until_it_dies():
                wait_s = self._first_wait_s
            if self._ended.wait(wait_s):
                return
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
            self._counts.restarts += 1
            log.warning("stream %s gave no picture; opening it again", without_password(str(self._address)))

    def _read_until_it_dies(self) -> bool:
        """Keep the newest frame; True when at least one came."""
        stream = self._open(self._address)
        came = False
        try:
            while stream.isOpened() and not self._ended.is_set():
                found, picture = stream.read()
                if not found or picture is None:
                    break
                if picture.ndim == 2:
                    picture = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR)
                rgb = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), np.uint8)
                self._newest = within(rgb, self._most_px) if self._most_px is not None else rgb
                came = True
                self._came.set()
        except cv2.error as error:
            log.warning("stream %s: %s", without_password(str(self._address)), " ".join(str(error).split())[:200])
        finally:
            stream.release()
        return came
