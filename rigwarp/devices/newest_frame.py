"""A thread that takes every picture a camera delivers, the moment it comes, so that none waits in a driver's queue."""

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError

_KEPT = 4  # pictures: a reader that is that far behind gets later ones, which are as good
_PERIODS = 30  # arrivals whose distances tell the usual one
_MISSES = 5  # pictures in a row that a driver may fail to deliver before it counts as dead
_MISS_PAUSE_S = 0.02
_AWAY_S, _RETRY_S = 6.0, 0.5  # how long a camera that has stopped is looked for, and the pause between two tries
_IN_PIPE = 3  # pictures that a decoder may still hold when its input has become whole again
_MEND_S = 15.0  # the longest distance of key frames that is waited for
_CLOSE_S = 5.0  # a driver that does not return by then is left to itself
_CHECK = "check its cable or network, and that no other program uses it"
_BROKEN = (
    "has delivered broken pictures only, for packets get lost on the way: set a key frame for each picture or each "
    "second, a lower bit rate, and use a cable instead of radio"
)


class FrameSource(Protocol):
    """The part of cv2.VideoCapture that delivers pictures."""

    def grab(self) -> bool:
        """Wait for the next picture; False when there is none."""

    def retrieve(self) -> tuple[bool, Any]:
        """The picture."""

    def release(self) -> None:
        """Give the camera back."""


class NewestFrames:
    """Takes pictures until it is closed or the camera ends.

    Parameters
    ----------
    source : the opened camera; belongs to the thread from now on.
    name : the camera in words, for messages.
    timeout_s : longest wait for a picture.
    reopen : opens a camera anew that has stopped, as one on a network may for a moment; None: it stays stopped. It is
        tried for some seconds, in which whoever waits for a picture waits on.

    broken : whether the pictures that come now are wrong, for something of them was lost; those are left out.

    Attributes
    ----------
    reopened : how many times that was done.
    left_out : how many pictures were broken.
    """

    def __init__(
        self,
        source: FrameSource,
        name: str,
        *,
        timeout_s: float,
        reopen: Callable[[], FrameSource | None] | None = None,
        broken: Callable[[], bool] = lambda: False,
    ) -> None:
        self._source = source
        self._name = name
        self._timeout_s = timeout_s
        self._news = threading.Condition()
        self._kept: deque[tuple[NDArray[Any], float]] = deque(maxlen=_KEPT)
        self._arrivals: deque[float] = deque(maxlen=_PERIODS)
        self._over = ""
        self._reopen = reopen
        self._away = False
        self._broken = broken
        self._suspect = 0
        self.reopened = self.left_out = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="camera", daemon=True)
        self._thread.start()

    def after(self, moment_s: float, *, newest: bool = False) -> tuple[NDArray[Any], float]:
        """The first kept picture that arrived after a moment, or the newest one, and its arrival; waits for it.

        Raises
        ------
        DeviceError
            When the camera ends or is silent for too long.
        """
        deadline = max(time.monotonic(), moment_s) + self._timeout_s
        with self._news:
            while True:
                for picture, arrived_s in reversed(self._kept) if newest else self._kept:
                    if arrived_s > moment_s:
                        return picture, arrived_s
                left_s = deadline - time.monotonic()
                if self._over:
                    raise DeviceError(self._over)
                if left_s <= -self._patience_s():
                    silent = f"has delivered no picture for {self._timeout_s:g} s: {_CHECK}"
                    raise DeviceError(f"{self._name} {_BROKEN if self._suspect else silent}")
                self._news.wait(max(left_s, _MISS_PAUSE_S))

    def _patience_s(self) -> float:
        """How much longer than usual a picture is waited for."""
        if self._away:
            return _AWAY_S + self._timeout_s
        return _MEND_S if self._suspect else 0.0

    @property
    def frame_s(self) -> float:
        """Median time between pictures; before two have come, that of 25 a second."""
        with self._news:
            times = np.array(self._arrivals)
        return float(np.median(np.diff(times))) if len(times) > 1 else 0.04

    def close(self) -> None:
        """End the thread and give the camera back; calling it twice is fine."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._thread.join(_CLOSE_S)

    def _run(self) -> None:
        while self._take() and self._opened_again():
            pass
        with self._news:
            self._over = f"{self._name} has stopped: it delivers no more pictures. Check its cables and network"
            self._news.notify_all()

    def _opened_again(self) -> bool:
        """Look for a camera that has stopped, for a while; False when it is not to be found."""
        end_s = time.monotonic() + _AWAY_S
        while self._reopen is not None and not self._stop.wait(_RETRY_S) and time.monotonic() < end_s:
            source = self._reopen()
            if source is not None:
                self._source = source
                self.reopened += 1
                return True
        return False

    def _take(self) -> bool:
        """Take pictures until the camera ends, True, or the thread is to."""
        misses = 0
        while not self._stop.is_set() and misses < _MISSES:
            taken = self._source.grab()
            arrived_s = time.monotonic()  # before the picture is unpacked
            done, picture = self._source.retrieve() if taken else (False, None)
            if not done or picture is None:
                misses += 1
                self._stop.wait(_MISS_PAUSE_S)
                continue
            misses = 0
            with self._news:
                self._away = False
                self._arrivals.append(arrived_s)
                self._suspect = _IN_PIPE if self._broken() else max(0, self._suspect - 1)
                if self._suspect:
                    self.left_out += 1
                    continue
                self._kept.append((picture, arrived_s))
                self._news.notify_all()
        with self._news:
            self._away = self._reopen is not None
            self._arrivals.clear()  # the pause is no time between pictures
        self._source.release()
        return not self._stop.is_set()
