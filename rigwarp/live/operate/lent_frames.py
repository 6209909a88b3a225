"""Frames of a measurement in another process, shown in the player's window between two pictures of the content."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Any

import numpy as np

from rigwarp.devices import Display, Frame
from rigwarp.errors import DisplayTakenBack, RigwarpError
from rigwarp.live.operate.interlude import Interludes, Quiet

_AT_ONCE = Quiet(untouched_s=0.0, patience_s=0.0)
"""Whoever sends frames has been asked to by somebody at the page."""
_AGAIN_S = 0.2
"""So often the frame is shown once more while the next is waited for: a sign of life, and a look at the keys."""
_PATIENCE = round(10.0 / _AGAIN_S)
"""Then the content goes on: a measurement that computes for so long asks again."""


@dataclass(frozen=True, kw_only=True)
class _Sent:
    number: int
    frame: Frame


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
        self._sent.put(_Sent(number=number, frame=np.frombuffer(data, np.uint8).reshape(shape)))
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
                    display.show(now.frame)
                    self._tell({"shown": now.number})
                except Empty:
                    idle += 1
                    if now is not None:
                        display.show(now.frame)
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
                self._tell({"taken_back": one.number, "why": why})

    def _rest(self) -> list[_Sent | None]:
        """What has been sent and not shown."""
        found = []
        while not self._sent.empty():
            found.append(self._sent.get())
        return found
