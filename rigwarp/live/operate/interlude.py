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
here the picture stands still, and after a minute without a `show` a watchdog takes the player for dead. `LentFrames`
shows frames of a measurement in another process that way.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any

import numpy as np

from rigwarp.devices import Display, Frame
from rigwarp.errors import DisplayTakenBack, InputError, RigwarpError

if TYPE_CHECKING:
    from rigwarp.live.run.window import Window

log = logging.getLogger(__name__)
Measurement = Callable[[Display], None]
_Sent = tuple[int, Frame]
"""A frame of another process, and its number."""
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


_AT_ONCE = Quiet(untouched_s=0.0, patience_s=0.0)
"""Whoever sends frames has been asked to by somebody at the page."""
_AGAIN_S = 0.2
"""So often the frame is shown once more while the next is waited for: a sign of life, and a look at the keys."""
_PATIENCE = round(10.0 / _AGAIN_S)
"""Then the content goes on: a measurement that computes for so long asks again."""


class Interludes:
    """The measurement that waits for a quiet moment, if there is one. `Session.interludes` is the run's own."""

    def __init__(self) -> None:
        self._asked: Measurement | None = None
        self._quiet, self._since_s = Quiet(), -1.0
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
            self._asked, self._quiet, self._since_s = measurement, quiet or Quiet(), -1.0

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
            asked, quiet = self._asked, self._quiet
            self._since_s = now_s if self._since_s < 0.0 else self._since_s
            worn_out = quiet.patience_s is not None and now_s - self._since_s >= quiet.patience_s
            if now_s - self._touched_s < quiet.untouched_s or not (at_seam or worn_out):
                return None
            self._asked = None
            return asked


class LentDisplay:
    """`Display` on the player's window, of its `resolution` in native pixels, for the time of one interlude.

    Parameters
    ----------
    window : where frames go.
    taken_back : looked at before and after every frame; a reason, in words, ends the interlude.
    shown : called after every frame.
    """

    def __init__(self, window: "Window", *, taken_back: Callable[[], str | None], shown: Callable[[], object]) -> None:
        self._window, self._taken_back, self._shown = window, taken_back, shown
        self.resolution = window.resolution
        self._over = False

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


class LentFrames:
    """Shows frames that come from elsewhere, in interludes of the run.

    Parameters
    ----------
    interludes : of the running session.
    tell : called with `{"shown": number}` once a frame is visible, or `{"taken_back": number, "why": words}`.
    every_s : the shortest time from one frame to the next, so that light changes slowly enough.
    """

    def __init__(
        self, interludes: Interludes, tell: Callable[[dict[str, Any]], object], *, every_s: float = 0.0
    ) -> None:
        self._interludes, self._tell, self._every_s = interludes, tell, every_s
        self._last_s = -every_s
        self._sent: SimpleQueue[_Sent | None] = SimpleQueue()
        self.active = False

    def frame(self, number: int, shape: tuple[int, ...], data: bytes) -> None:
        """Show a frame as soon as the frame loop can; from any thread."""
        self._sent.put((number, np.frombuffer(data, np.uint8).reshape(shape)))
        if not self.active and not self._interludes.waiting:
            self._interludes.ask(self._measure, quiet=_AT_ONCE)

    def release(self) -> None:
        """The content goes on."""
        if self.active:
            self._sent.put(None)

    def _measure(self, display: Display) -> None:
        self.active = True
        now: _Sent | None = None
        try:
            idle = 0
            while idle < _PATIENCE:
                try:
                    now, idle = self._sent.get(timeout=_AGAIN_S), 0
                    if now is None:
                        return
                    self._keep_slow()
                    display.show(now[1])
                    self._tell({"shown": now[0]})
                except Empty:
                    idle += 1
                    if now is not None:
                        display.show(now[1])
        except (DisplayTakenBack, RigwarpError) as error:
            self._refuse(now, str(error))
            raise
        finally:
            self.active = False
            if late := [one for one in self._rest() if one is not None]:  # sent while this one ended
                for one in late:
                    self._sent.put(one)
                self._interludes.ask(self._measure, quiet=_AT_ONCE)

    def _keep_slow(self) -> None:
        wait_s = self._last_s + self._every_s - time.monotonic()
        if wait_s > 0.0:
            time.sleep(wait_s)
        self._last_s = time.monotonic()

    def _refuse(self, now: _Sent | None, why: str) -> None:
        """Whoever waits for one of these frames hears that it will not be shown."""
        for one in (now, *self._rest()):
            if one is not None:
                self._tell({"taken_back": one[0], "why": why})

    def _rest(self) -> list[_Sent | None]:
        """What has been sent and not shown."""
        found = []
        while not self._sent.empty():
            found.append(self._sent.get())
        return found
