"""What every display and camera can do, real or virtual."""

from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from rigwarp.geometry import Photo

Frame = NDArray[np.uint8]


class Display(Protocol):
    """Something that shows a picture through the projector, pixel for pixel."""

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in native pixels."""

    def show(self, frame: Frame) -> None:
        """Show a (H, W) grey or (H, W, 3) RGB picture; it is visible when the call returns."""

    def close(self) -> None:
        """Give the display back; calling it twice is fine."""


class Camera(Protocol):
    """Something that photographs the table.

    Attributes
    ----------
    unlocked : what may change by itself because the driver would not let it be fixed: of "exposure", "gain",
        "white balance", "focus".
    """

    unlocked: tuple[str, ...]

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in pixels."""

    @property
    def exposure_s(self) -> float | None:
        """The exposure time, seconds; None when it is unknown or cannot be set."""

    def set_exposure(self, seconds: float) -> float | None:
        """Ask for an exposure time; returns the one that is set now, None when the camera cannot be told."""

    def grab(self) -> Photo:
        """Photograph what is shown now: (H, W) grey, 8 or 16 bit, exposed after the last `show` returned."""

    def look(self) -> Photo:
        """The newest photograph, whatever was shown when it was exposed: for a live picture."""

    def close(self) -> None:
        """Give the camera back; calling it twice is fine."""


@runtime_checkable
class OneShotCamera(Camera, Protocol):
    """A camera that takes a photograph when it is asked for one, and takes its time.

    Attributes
    ----------
    settle_s : pause of `grab` before each photograph, in which the picture reaches the table; may be made longer.
    photo_s : how long the last photograph took, without that pause, seconds.
    """

    settle_s: float
    photo_s: float


@runtime_checkable
class ColourCamera(Camera, Protocol):
    """A camera whose photographs may have colours, of which `look` takes one channel."""

    def look_colour(self) -> NDArray[Any]:
        """The newest photograph as it is: (H, W) grey or (H, W, 3) BGR."""


@dataclass(frozen=True, kw_only=True)
class Losses:
    """What has been lost on the way from a network camera since it was opened.

    Attributes
    ----------
    packets : of its video that never came; None where nobody sees that.
    pictures : that were broken by it, and left out.
    away : how many times the camera went and came back.
    """

    packets: int | None
    pictures: int
    away: int


@runtime_checkable
class NetworkCamera(Camera, Protocol):
    """A camera that may be at the other end of a network."""

    def losses(self) -> Losses | None:
        """What has been lost so far; None where it comes by no network."""


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A photograph and when it arrived (seconds of the clock that only goes forward, `time.monotonic`)."""

    photo: Photo
    arrived_s: float


@runtime_checkable
class StreamingCamera(Camera, Protocol):
    """A camera that delivers photographs by itself: when one was exposed is known by its arrival alone.

    Its `grab` waits long enough for almost any camera; the capture loop measures how long is needed and does better.
    """

    @property
    def frame_s(self) -> float:
        """The usual time from one photograph to the next."""

    def next_shot(self, after_s: float) -> Shot:
        """The first photograph that arrives after a moment; waits for it.

        Raises
        ------
        DeviceError
            When none comes.
        """
