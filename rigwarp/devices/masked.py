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
    """

    def __init__(self, display: Display, mask: BoolArray) -> None:
        self._display = display
        self._mask = mask

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in native pixels."""
        return self._display.resolution

    @property
    def whole(self) -> Display:
        """The display itself, for pictures of all zones."""
        return self._display

    def show(self, frame: Frame) -> None:
        """Show the frame's part inside the mask."""
        mask = self._mask if frame.ndim == 2 else self._mask[..., None]
        self._display.show(np.where(mask, frame, np.uint8(0)))

    def close(self) -> None:
        """Leaves the display itself open: it belongs to somebody else."""
