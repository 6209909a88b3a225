"""The preview window as commands use it: pictures go there where there is a screen, words to the terminal elsewhere."""

import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from rigwarp.capture.board_session import Asked
from rigwarp.capture.preview_picture import PreviewState, compose
from rigwarp.capture.preview_process import CLOSED
from rigwarp.capture.preview_window import PreviewWindow
from rigwarp.commands.console import Console
from rigwarp.devices import Photo

_GO = ("return", "enter", "space")
_STOP = ("escape", CLOSED)


class Operator:
    """Whoever watches: sees pictures or reads words, and answers with keys.

    Parameters
    ----------
    console : where words go.
    window : None: words only.
    """

    def __init__(self, console: Console, window: PreviewWindow | None) -> None:
        self._console = console
        self._window = window
        self._said = ""
        self._shown = False

    @property
    def watching(self) -> bool:
        """True while a window is open."""
        return self._window is not None and self._window.open

    def show(self, photo: Photo, state: PreviewState) -> None:
        """A picture with what is known about it."""
        if self._window is not None and self._window.open:
            self._shown = True
            self._window.show(compose(photo, state))
        elif state.prompt != self._said:
            self._said = state.prompt
            self._console.note(f"{state.title}: {state.prompt}")

    def asked(self) -> Asked | None:
        """What was asked for since the last call: Enter or space goes on, Escape or closing the window stops."""
        keys = self._window.keys() if self._window is not None else []
        if any(key in _STOP for key in keys):
            return "stop"
        if any(key in _GO for key in keys) or _line_entered():
            return "go"
        return None


@contextmanager
def operator(console: Console, *, preview: bool, projector: int | None = None) -> Iterator[Operator]:
    """Somebody to show pictures to; without `preview`, or without a screen, only words.

    Parameters
    ----------
    projector : number of the projector's monitor, which the window keeps off.
    """
    window = PreviewWindow(projector=projector) if preview else None
    try:
        yield Operator(console, window)
    finally:
        if window is not None:
            window.close()


def _line_entered() -> bool:
    """Whether a line was entered at the terminal; never waits. Windows tells this of sockets only: keys do there."""
    if sys.platform == "win32" or not sys.stdin.isatty():
        return False
    ready, _, _ = select.select([sys.stdin], [], [], 0.0)
    return bool(ready) and sys.stdin.readline() != ""
