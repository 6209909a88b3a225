"""Playing: pictures from a source into the window until something says stop."""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType
from typing import Literal

from rigwarp.live.picture import Picture
from rigwarp.live.sources import Source
from rigwarp.live.window import Drawing, Window, open_window
from rigwarp.prewarp import Prewarp

EndReason = Literal["key", "time", "frames", "terminated", "interrupted"]
_IDLE_FLIP_S = 1 / 60
"""Longest pause between two looks at the keyboard; without a vertical sync it also paces the loop."""


@dataclass(frozen=True, kw_only=True)
class Played:
    """How a run of the player went: frames shown, seconds, who drew, why it ended, notices for the user."""

    frames: int
    seconds: float
    drawing: str
    reason: EndReason
    notice: str


def play(
    prewarp: Prewarp,
    source: Source,
    *,
    display: int = 0,
    drawing: Drawing = "auto",
    seconds: float | None = None,
    frames: int | None = None,
    clock: Callable[[], float] = time.monotonic,
    pause: Callable[[float], None] = time.sleep,
    on_open: Callable[[Window], None] | None = None,
) -> Played:
    """Show a source through the prewarp until Escape, q, SIGTERM, Ctrl-C or a limit; black is left behind.

    Parameters
    ----------
    prewarp, display, drawing : see `open_window`.
    source : the pictures.
    seconds, frames : optional limits.
    clock, pause : time in seconds, and how to wait; passed in so that tests need not wait.
    on_open : called once with the window before the first frame.
    """
    with _stop_signals() as signalled:
        window = open_window(prewarp, display=display, drawing=drawing)
        try:
            if on_open is not None:
                on_open(window)
            started = clock()
            shown, reason = _loop(window, source, signalled, started, seconds, frames, clock, pause)
            lasted = clock() - started
        finally:
            window.close()
            source.close()
    return Played(frames=shown, seconds=lasted, drawing=window.drawing, reason=reason, notice=window.notice)


def _loop(
    window: Window,
    source: Source,
    signalled: list[int],
    started: float,
    seconds: float | None,
    frames: int | None,
    clock: Callable[[], float],
    pause: Callable[[float], None],
) -> tuple[int, EndReason]:
    shown = 0
    last: Picture | None = None
    while True:
        now = clock() - started
        if signalled:
            return shown, "interrupted" if signalled[0] == signal.SIGINT else "terminated"
        if window.stop_asked():
            return shown, "key"
        if seconds is not None and now >= seconds:
            return shown, "time"
        if frames is not None and shown >= frames:
            return shown, "frames"
        picture = source.at(now)
        window.show(picture if picture is not last else None)
        last = picture
        shown += 1
        spent = clock() - started - now
        if spent < _IDLE_FLIP_S:
            pause(_IDLE_FLIP_S - spent)


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
