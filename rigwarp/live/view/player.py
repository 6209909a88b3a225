"""The live top view: the camera's newest picture, straightened, to everybody who wants it; and how old it is then.

A camera that goes away is opened again.
"""

import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from rigwarp.errors import DeviceError
from rigwarp.view.top import TopMaps

log = logging.getLogger(__name__)

_KEPT = 3000  # ages: the last minute or two
FIRST_WAIT_S: Final = 0.5
LONGEST_WAIT_S: Final = 10.0


class Frames(Protocol):
    """The part of `NewestFrames` that a feed needs."""

    @property
    def frame_s(self) -> float:
        """The usual time from picture to picture."""

    def after(self, moment_s: float, *, newest: bool = False) -> tuple[NDArray[Any], float]:
        """A picture that arrived after a moment, and its arrival; DeviceError when the camera is gone."""

    def close(self) -> None:
        """Give the camera back."""


@dataclass(frozen=True, kw_only=True)
class CameraPicture:
    """(H, W) grey or (H, W, 3) blue, green, red, 8 bits, as it came; and when, by `time.monotonic`."""

    picture: NDArray[np.uint8]
    captured_s: float


class CameraFeed:
    """Pictures of a camera until it is closed.

    Parameters
    ----------
    open_frames : opens the camera; DeviceError where it is not there.
    resolution : (width, height) that its pictures must have.
    first_wait_s : pause before it is opened again; it doubles up to ten seconds.
    sleep : waits so many seconds.

    Raises
    ------
    DeviceError
        The camera is not there, or has another size: at the start that is for somebody to mend.
    """

    def __init__(
        self,
        open_frames: Callable[[], Frames],
        resolution: tuple[int, int],
        *,
        first_wait_s: float = FIRST_WAIT_S,
        sleep: Callable[[float], Any] = time.sleep,
    ) -> None:
        self._open_frames, self._resolution, self._sleep = open_frames, resolution, sleep
        self._first_wait_s = self._wait_s = first_wait_s
        self._after_s = -np.inf
        self.reopened = 0
        self._frames: Frames | None = open_frames()
        try:
            self._first: CameraPicture | None = self._taken(self._frames)
        except DeviceError:
            self.close()
            raise

    @property
    def frame_s(self) -> float:
        """The camera's period; NaN while it is away."""
        return self._frames.frame_s if self._frames is not None else float("nan")

    def peek(self) -> NDArray[np.uint8]:
        """The first picture, before it is taken."""
        assert self._first is not None
        return self._first.picture

    def next(self) -> CameraPicture | None:
        """The newest picture that was not taken yet; waits for it. None while the camera is away."""
        if self._first is not None:
            first, self._first = self._first, None
            return first
        try:
            if self._frames is None:
                self._sleep(self._wait_s)
                self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_S)
                self._frames = self._open_frames()
                self.reopened += 1
            picture = self._taken(self._frames)
        except DeviceError as error:
            log.warning("%s; opening it again", error)
            self.close()
            return None
        self._wait_s = self._first_wait_s
        return picture

    def close(self) -> None:
        """Give the camera back; calling it twice is fine."""
        frames, self._frames = self._frames, None
        if frames is not None:
            frames.close()

    def _taken(self, frames: Frames) -> CameraPicture:
        picture, arrived_s = frames.after(self._after_s, newest=True)
        found, wanted = picture.shape[1::-1], self._resolution
        if found != wanted:
            raise DeviceError(
                f"the camera delivers {found[0]} x {found[1]} pixels, rig.toml says view.resolution = {list(wanted)}, "
                "for which the view was measured: set the camera to that"
            )
        self._after_s = arrived_s
        return CameraPicture(picture=_as_8_bit(picture), captured_s=arrived_s)


class Sink(Protocol):
    """Something that takes the pictures: a window, a ring, a server, a file."""

    def show(self, picture: NDArray[np.uint8], captured_s: float) -> object:
        """Take a picture, (H, W) or (H, W, 3) blue, green, red; it is not changed afterwards."""


@dataclass(frozen=True, kw_only=True)
class ViewShown:
    """What a live view did.

    Attributes
    ----------
    frames : pictures shown; seconds : from the first to the last.
    age_ms, age_p95_ms : from the camera's delivery of a picture to its being handed on, median and 95th percentile.
    period_ms : the camera's.
    reopened : times the camera was opened again.
    """

    frames: int
    seconds: float
    age_ms: float
    age_p95_ms: float
    period_ms: float
    reopened: int


def play_view(
    feed: CameraFeed,
    maps: TopMaps,
    sinks: Sequence[Sink],
    *,
    blend: bool = False,
    go_on: Callable[[], bool] = lambda: True,
) -> ViewShown:
    """Show pictures until `go_on` says no, or Ctrl-C is pressed: then what was shown is whole."""
    ages: deque[float] = deque(maxlen=_KEPT)
    frames, began_s, last_s, period_s = 0, np.nan, np.nan, np.nan
    try:
        while go_on():
            shot = feed.next()
            if shot is None:
                continue
            picture = maps.apply(shot.picture, blend=blend)
            for sink in sinks:
                sink.show(picture, shot.captured_s)
            last_s = time.monotonic()
            ages.append(last_s - shot.captured_s)
            began_s = last_s if not frames else began_s
            frames, period_s = frames + 1, feed.frame_s
    except KeyboardInterrupt:
        pass
    age_ms = 1e3 * np.array(ages) if ages else np.array([np.nan])
    return ViewShown(
        frames=frames,
        seconds=last_s - began_s,
        age_ms=float(np.median(age_ms)),
        age_p95_ms=float(np.percentile(age_ms, 95)),
        period_ms=1e3 * period_s,
        reopened=feed.reopened,
    )


def _as_8_bit(picture: NDArray[Any]) -> NDArray[np.uint8]:
    """The upper 8 bits; a channel of its own for grey is taken away."""
    if picture.dtype == np.uint16:
        picture = (picture >> 8).astype(np.uint8)
    return np.asarray(picture[..., 0] if picture.ndim == 3 and picture.shape[2] == 1 else picture, np.uint8)
