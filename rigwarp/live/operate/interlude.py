"""Lending the player's window to a measurement between two frames, at a moment when nobody minds.

Any thread asks; the frame loop decides when, and runs the measurement itself, because windows belong to its thread::

    def measure(display: Display) -> None:
        for number, frame in enumerate(patterns):
            display.show(frame)          # this very frame, pixel for pixel, no warp; visible when it returns
            photos.append(camera.grab())

    session.interludes.ask(measure)

The content's time stands still meanwhile, and the frame shown last stays until the content comes back: never black in
between. A moment is quiet when nobody has touched keys, pointer or remote control for a while, and either the picture
is dark, or stands still, or has just come to the end of a loop or of a dwell. Whoever touches something during a
measurement gets the content back at once: `show` raises `DisplayTakenBack`, which the measurement should let pass.
What takes long and needs no window (decoding, fitting) belongs into a thread of the measurement's own: while it runs
here the picture stands still, and after a minute without a `show` a watchdog takes the player for dead.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from rigwarp.devices import Display, Frame
from rigwarp.errors import DisplayTakenBack, InputError

log = logging.getLogger(__name__)
Measurement = Callable[[Display], None]
UNTOUCHED_S = 120.0
"""Somebody who corrects content by hand looks at the table for a while between two keys."""


@dataclass(frozen=True, kw_only=True)
class Quiet:
    """What counts as a quiet moment.

    Attributes
    ----------
    untouched_s : nobody has touched anything for this long, counted from the start of the run at first.
    patience_s : after waiting this long for the end of a loop, any untouched moment will do; None waits for ever.
    """

    untouched_s: float = UNTOUCHED_S
    patience_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class _Asked:
    measurement: Measurement
    quiet: Quiet
    since_s: float | None = None


class Interludes:
    """The measurement that waits for a quiet moment, if there is one. `Session.interludes` is the run's own."""

    def __init__(self) -> None:
        self._asked: _Asked | None = None
        self._lock = threading.Lock()
        self._touched_s = 0.0

    @property
    def waiting(self) -> bool:
        """True from `ask` until the measurement begins."""
        return self._asked is not None

    def ask(self, measurement: Measurement, *, quiet: Quiet | None = None) -> None:
        """Run this once, at the next quiet moment, from any thread; it takes the place of one that still waits.

        An exception of the measurement's ends nothing but itself: it is logged, and the content goes on.
        """
        with self._lock:
            self._asked = _Asked(measurement=measurement, quiet=quiet or Quiet())

    def cancel(self) -> None:
        """Nothing waits any more; one that runs already runs on."""
        with self._lock:
            self._asked = None

    def touched(self, now_s: float) -> None:
        """Somebody did something at this moment of the run."""
        self._touched_s = now_s

    def due(self, now_s: float, *, at_seam: bool) -> Measurement | None:
        """The waiting measurement, once, when this moment of the run is quiet."""
        with self._lock:
            asked = self._asked
            if asked is None:
                return None
            since_s = now_s if asked.since_s is None else asked.since_s
            patience_s = asked.quiet.patience_s
            worn_out = patience_s is not None and now_s - since_s >= patience_s
            if now_s - self._touched_s >= asked.quiet.untouched_s and (at_seam or worn_out):
                self._asked = None
                return asked.measurement
            self._asked = _Asked(measurement=asked.measurement, quiet=asked.quiet, since_s=since_s)
            return None


class FrameWindow(Protocol):
    """What is needed of the player's window."""

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in native pixels."""

    def show_frame(self, frame: Frame) -> None:
        """Show a projector frame as it is."""


class LentDisplay:
    """`Display` on the player's window for the time of one interlude.

    Parameters
    ----------
    window : where frames go.
    taken_back : looked at before and after every frame; a reason, in words, ends the interlude.
    shown : called after every frame.
    """

    def __init__(
        self, window: FrameWindow, *, taken_back: Callable[[], str | None], shown: Callable[[], object]
    ) -> None:
        self._window, self._taken_back, self._shown = window, taken_back, shown
        self._over = False

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) in native pixels."""
        return self._window.resolution

    def show(self, frame: Frame) -> None:
        """Show a (H, W) grey or (H, W, 3) RGB frame, pixel for pixel; it is visible when the call returns.

        Raises
        ------
        DisplayTakenBack
            When the operator, a signal or the remote control wants the content back, or the interlude is over.
        InputError
            When the frame is of another size or kind.
        """
        width, height = self.resolution
        if frame.dtype != np.uint8 or frame.shape not in ((height, width), (height, width, 3)):
            raise InputError(
                f"found a {frame.dtype} frame {frame.shape}, expected uint8 {(height, width)}, or 3 channels"
            )
        self._look()
        self._window.show_frame(frame)
        self._shown()
        self._look()

    def close(self) -> None:
        """The interlude is over; the window stays open, it belongs to the player."""
        self._over = True

    def _look(self) -> None:
        reason = "the interlude is over" if self._over else self._taken_back()
        if reason is not None:
            raise DisplayTakenBack(f"the display is needed for the content: {reason}. Measure at another moment.")


def hold_interlude(measurement: Measurement, display: LentDisplay) -> None:
    """Run a measurement on the lent display; whatever it raises ends up in the log, not in the show."""
    log.info("measuring: the content stands still")
    try:
        measurement(display)
    except DisplayTakenBack as error:
        log.info("measuring broken off: %s", error)
    except Exception:  # the show goes on, whatever a camera or a file comes up with
        log.exception("measuring failed; the content goes on")
    finally:
        display.close()
