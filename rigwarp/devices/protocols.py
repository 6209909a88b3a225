"""What every display and camera can do, real or virtual."""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Frame = NDArray[np.uint8]
Photo = NDArray[np.uint8] | NDArray[np.uint16]


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
    """Something that photographs the table."""

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in pixels."""

    def grab(self) -> Photo:
        """Photograph what is shown now: (H, W) grey, 8 or 16 bit, exposed after the last `show` returned."""

    def close(self) -> None:
        """Give the camera back; calling it twice is fine."""
