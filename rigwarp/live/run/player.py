"""Playing: pictures from a source into the window until something says stop."""

import gc
import logging
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from types import FrameType
from typing import Any, Literal

from rigwarp.defaults import Drawing
from rigwarp.errors import RigwarpError
from rigwarp.live.operate.interlude import LentDisplay, Measurement, hold_interlude
from rigwarp.live.operate.operator import Input
from rigwarp.live.render.picture import AnyPicture
from rigwarp.live.render.warp import Warp, as_warp
from rigwarp.live.run.session import Session
from rigwarp.live.run.window import Window, open_window
from rigwarp.live.sources.source import Source
from rigwarp.prewarp import Prewarp

log = logging.getLogger(__name__)
EndReason = Literal["key", "time", "frames", "terminated", "interrupted", "memory", "screen"]
_TURN_S = 0.001
_IDLE_FLIP_S = 1 / 60
"""Longest pause between two looks at the keyboard; without a vertical sync it also paces the loop."""


@dataclass(frozen=True, kw_only=True)
class Played:
    """How a run of the player went: frames shown, seconds, who drew, why it ended, notices for the user, counters."""

    frames: int
    seconds: float
    drawing: str
    reason: EndReason
    notice: str
    statistics: dict[str, Any]


def play(
    prewarp: Prewarp | Warp,
    source: Source | Session,
    *,
    display: int | None = None,
    drawing: Drawing = "auto",
    dither: bool = False,
    in_memory: bool = True,
    seconds: float | None = None,
    frames: int | None = None,
    clock: Callable[[], float] = time.monotonic,
    pause: Callable[[float], None] = time.sleep,
    on_open: Callable[[Window], None] | None = None,
    on_frame: Callable[[Session], EndReason | None] | None = None,
) -> Played:
    """Show a source through the prewarp until Escape, q, SIGTERM, Ctrl-C or a limit; black is left behind.

    Parameters
    ----------
    prewarp, display, drawing, dither, in_memory : see `open_window`.
    source : the pictures, or a session with everything that can be changed while they run. It is closed at the end.
    seconds, frames : optional limits.
    clock, pause : time in seconds, and how to wait; passed in so that tests need not wait.
    on_open : called once with the window before the first frame.
    on_frame : called after every flip; a reason ends the run.
    """
    warp = as_warp(prewarp)
    session = source if isinstance(source, Session) else Session(warp, source)
    try:
        with _stop_signals() as signalled, ExitStack() as after:
            after.callback(sys.setswitchinterval, sys.getswitchinterval())
            sys.setswitchinterval(_TURN_S)  # a frame needs the interpreter several times: others hold it that long
            window = open_window(warp, display=display, drawing=drawing, dither=dither, in_memory=in_memory)
            try:
                session.takes_planes = window.on_gpu
                if on_open is not None:
                    on_open(window)
                gc.collect()
                gc.freeze()  # going through all that is there already takes the garbage collector some 80 ms
                after.callback(gc.unfreeze)
                started = clock()
                loop = _Loop(window, session, signalled, started, seconds, frames, clock, pause, on_frame)
                reason = loop.run()
                lasted = clock() - started
            finally:
                window.close()
    finally:
        session.close()
    return Played(
        frames=session.counts.shown,
        seconds=lasted,
        drawing=window.drawing,
        reason=reason,
        notice=window.notice,
        statistics=session.pacing.as_dict(),
    )


@dataclass
class _Loop:
    """The frame loop."""

    window: Window
    session: Session
    signalled: list[int]
    started: float
    seconds: float | None
    frames: int | None
    clock: Callable[[], float]
    pause: Callable[[float], None]
    on_frame: Callable[[Session], EndReason | None] | None
    _inputs: list[Input] = field(default_factory=list)
    _stop: bool = False
    _showing: bool = False
    _complaint: str = ""

    def run(self) -> EndReason:
        """Frame after frame until something ends it."""
        last: AnyPicture | None = None
        while True:
            now = self.clock() - self.started
            reason = self._reason_to_end(now)
            if reason is not None:
                return reason
            measurement = self.session.measurement_due(now)
            if measurement is not None:
                self._interlude(measurement, now)
                last = None
                continue
            picture = self.session.picture(now)
            warp = self.session.fresh_warp()
            if warp is not None:
                self.window.use(warp)
            fresh = picture is not last
            last = picture
            self._show(picture if fresh else None)
            flipped = self.clock() - self.started
            self.session.pacing.flipped(flipped, fresh=fresh)
            if self.on_frame is not None and (reason := self.on_frame(self.session)) is not None:
                return reason
            if flipped - now < _IDLE_FLIP_S:
                self.pause(_IDLE_FLIP_S - (flipped - now))

    def _show(self, picture: AnyPicture | None) -> None:
        """Show a picture; one that cannot be drawn, being too large perhaps, must not end the show."""
        try:
            self.window.show(picture)
            self._showing = True
        except RigwarpError as error:
            if not self._showing:
                raise
            self.session.counts.refused += 1
            if str(error) != self._complaint:
                log.warning("the old picture stays: %s", error)
            self._complaint = str(error)
            self.window.show(None)

    def _interlude(self, measurement: Measurement, began: float) -> None:
        """Lend the window to a measurement."""

        def shown() -> None:
            self.session.counts.shown += 1  # a sign of life

        hold_interlude(measurement, LentDisplay(self.window, taken_back=self._taken_back, shown=shown))
        self.session.after_interlude(self.clock() - self.started - began)

    def _taken_back(self) -> str | None:
        """Why an interlude has to end, in words; the loop does afterwards what was asked for."""
        if self.signalled:
            return "the player has to end"
        self._look_for_inputs()
        if self._stop or any(what.kind != "move" for what in self._inputs):
            return "somebody is at the keys or the pointer"
        return "the remote control wants something" if self.session.content_wanted else None

    def _look_for_inputs(self) -> None:
        inputs, stop = self.window.inputs()
        self._inputs += inputs
        self._stop |= stop

    def _reason_to_end(self, now: float) -> EndReason | None:
        if self.signalled:
            return "interrupted" if self.signalled[0] == signal.SIGINT else "terminated"
        self._look_for_inputs()
        if self._stop:
            return "key"
        inputs, self._inputs = self._inputs, []
        for what in inputs:
            self.session.handle(what)
        if self.seconds is not None and now >= self.seconds:
            return "time"
        if self.frames is not None and self.session.counts.shown >= self.frames:
            return "frames"
        return None


@contextmanager
def _stop_signals() -> Iterator[list[int]]:
    """Collect SIGTERM and Ctrl-C instead of dying of them, so that the projector is left black."""
    received: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield received  # Python delivers signals to the main thread only
        return

    def note(number: int, _frame: FrameType | None) -> None:
        received.append(number)

    before = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield received
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
