"""The top view as a video file: an even frame rate, whatever the camera's; the disk never holds the live picture up."""

import contextlib
import queue
import threading
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError, InputError, UsageError

CODECS: Final = {".mp4": "mp4v", ".avi": "MJPG"}
_WAITING = 8  # pictures that a slow disk may lag behind
_LONGEST_GAP = 250  # frames: a camera that is away longer does not fill the disk with its last picture


class Recorder:
    """Writes pictures until it is closed; the file has its name only then.

    Parameters
    ----------
    path : ends in .mp4 or .avi; must not be there.
    size : (width, height).
    rate_hz : frames a second.

    Raises
    ------
    InputError, UsageError
        The file is there already, or has another ending.
    DeviceError
        It cannot be written.
    """

    def __init__(self, path: Path, size: tuple[int, int], rate_hz: float) -> None:
        require_recordable(path)
        self.path, self._rate_hz, self._size = path, rate_hz, size
        self._part = path.with_name(f".{path.stem}.part{path.suffix.lower()}")
        self._video = cv2.VideoWriter(
            str(self._part), cv2.VideoWriter.fourcc(*CODECS[path.suffix.lower()]), rate_hz, size
        )
        if not self._video.isOpened():
            raise DeviceError(f"{path}: cannot be written as a video. Check the folder, and that the disk has space")
        self.frames = self.dropped = 0
        self._began_s: float | None = None
        self._waiting: queue.Queue[tuple[NDArray[np.uint8], float] | None] = queue.Queue(_WAITING)
        self._thread = threading.Thread(target=self._write_on, name="recording", daemon=True)
        self._thread.start()

    def show(self, picture: NDArray[np.uint8], captured_s: float) -> None:
        """Hand over a picture (H, W) or (H, W, 3) blue, green, red; where the disk lags behind it is left out."""
        try:
            self._waiting.put_nowait((picture, captured_s))
        except queue.Full:
            self.dropped += 1

    def close(self) -> None:
        """Finish the file; calling it twice is fine."""
        if not self._thread.is_alive():
            return
        self._waiting.put(None)
        self._thread.join()
        self._video.release()
        if self.frames:
            self._part.replace(self.path)
        else:
            with contextlib.suppress(OSError):
                self._part.unlink()

    def _write_on(self) -> None:
        while (one := self._waiting.get()) is not None:
            picture, captured_s = one
            if picture.ndim == 2:
                picture = np.asarray(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), np.uint8)
            if self._began_s is None:
                self._began_s = captured_s
            due = round((captured_s - self._began_s) * self._rate_hz) + 1
            if due - self.frames > _LONGEST_GAP:
                self._began_s = captured_s - self.frames / self._rate_hz
                due = self.frames + 1
            while self.frames < due:
                self._video.write(picture)
                self.frames += 1


def require_recordable(path: Path) -> None:
    """UsageError for another ending, InputError for a file that is there."""
    if path.suffix.lower() not in CODECS:
        raise UsageError(f"--record {path}: expected a name that ends in {' or '.join(CODECS)}")
    if path.exists():
        raise InputError(f"{path}: found a file that is already there, expected none. Choose another name.")
