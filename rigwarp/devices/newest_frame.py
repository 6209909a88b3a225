"""A thread that takes every picture a camera delivers, the moment it comes, so that none waits in a driver's queue."""

import threading
import time
from collections import deque
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError

_KEPT = 4  # pictures: a reader that is that far behind gets later ones, which are as good
_PERIODS = 30  # arrivals whose distances tell the usual one
_MISSES = 5  # pictures in a row that a driver may fail to deliver before it counts as dead
_MISS_PAUSE_S = 0.02
_CLOSE_S = 5.0  # a driver that does not return by then is left to itself


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
    """

    def __init__(self, source: FrameSource, name: str, *, timeout_s: float) -> None:
        self._source = source
        self._name = name
        self._timeout_s = timeout_s
        self._news = threading.Condition()
        self._kept: deque[tuple[NDArray[Any], float]] = deque(maxlen=_KEPT)
        self._arrivals: deque[float] = deque(maxlen=_PERIODS)
        self._over = ""
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
                if left_s <= 0:
                    raise DeviceError(
                        f"{self._name} has delivered no picture for {self._timeout_s:g} s: check its cable or network, "
                        "and that no other program uses it"
                    )
                self._news.wait(left_s)

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
                self._kept.append((picture, arrived_s))
                self._arrivals.append(arrived_s)
                self._news.notify_all()
        with self._news:
            self._over = f"{self._name} has stopped: it delivers no more pictures. Check its cable, power or network"
            self._news.notify_all()
        self._source.release()
