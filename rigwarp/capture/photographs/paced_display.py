"""A display that changes no faster than people can bear."""

import time
from typing import Final

import numpy as np

from rigwarp.devices import Display, Frame

CHANGES_PER_S: Final = 6.0
"""Three flashes in any second are the limit of WCAG 2.3.1 (a flash is a pair of opposing changes), and patterns fill
too much of the view for the exemption of small areas."""


class PacedDisplay:
    """Shows pictures on another display and remembers what was shown when.

    Parameters
    ----------
    display : where the pictures go; it stays open when this one is closed.
    changes_per_s : most changes in a second; None: no limit.
    """

    def __init__(self, display: Display, *, changes_per_s: float | None = CHANGES_PER_S) -> None:
        self._display = display
        self._pause_s = 1.0 / changes_per_s if changes_per_s else 0.0
        self.resolution = display.resolution
        self.shown: Frame | None = None
        self.shown_s = -np.inf

    def show(self, frame: Frame) -> None:
        """Show a picture; waits first when the one before came a short time ago. Nothing happens if it is the same."""
        if self.shown is not None and np.array_equal(self.shown, frame):
            return
        time.sleep(max(0.0, self.shown_s + self._pause_s - time.monotonic()))
        self._display.show(frame)
        self.shown, self.shown_s = frame.copy(), time.monotonic()

    def confirm(self) -> None:
        """Show the same once more, which nobody sees: raises DeviceError if the display has gone meanwhile."""
        if self.shown is not None:
            self._display.show(self.shown)

    def close(self) -> None:
        """Leaves the display itself open: it belongs to somebody else."""
