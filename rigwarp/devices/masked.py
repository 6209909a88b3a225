"""A display of which only a part may shine."""

import numpy as np

from rigwarp.devices.protocols import Display, Frame
from rigwarp.geometry import BoolArray


class MaskedDisplay:
    """Shows pictures on another display, black outside a mask: to light one zone of the mirror at a time.

    Parameters
    ----------
    display : where the pictures go.
    mask : (H, W) pixels that may shine.

    Attributes
    ----------
    whole : the display itself, for pictures of all zones.
    resolution : (width, height) in native pixels.
    """

    def __init__(self, display: Display, mask: BoolArray) -> None:
        self.whole = display
        self.resolution = display.resolution
        self._mask = mask

    def show(self, frame: Frame) -> None:
        """Show the frame's part inside the mask."""
        mask = self._mask if frame.ndim == 2 else self._mask[..., None]
        self.whole.show(np.where(mask, frame, np.uint8(0)))

    def close(self) -> None:
        """Leaves the display itself open: it belongs to somebody else."""
