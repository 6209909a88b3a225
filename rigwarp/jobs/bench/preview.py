"""The preview window as commands use it: pictures go there where there is a screen, words to the terminal elsewhere."""

from collections.abc import Iterator
from contextlib import closing, contextmanager, nullcontext

import numpy as np

from rigwarp.capture.preview.board_session import Asked
from rigwarp.capture.preview.picture import PreviewState, compose
from rigwarp.capture.preview.process import CLOSED
from rigwarp.capture.preview.watch import watch
from rigwarp.capture.preview.window import PreviewWindow
from rigwarp.devices import open_bench
from rigwarp.errors import DeviceError
from rigwarp.files import RigFolder
from rigwarp.geometry import Photo
from rigwarp.jobs.bench.live_bench import camera_and_sheet
from rigwarp.jobs.progress import NOBODY, Person, Progress

_GO = ("return", "enter", "space")
_STOP = ("escape", CLOSED)
_AIMING_CODE = 160  # what the projector shows meanwhile: its light is seen, and nothing burns out


class PreviewOperator:
    """Whoever watches: sees pictures or reads words, and answers with keys.

    Parameters
    ----------
    progress : where words go.
    window : None: words only.
    person : who may press Enter at a terminal instead.
    """

    def __init__(self, progress: Progress, window: PreviewWindow | None, person: Person) -> None:
        self._progress = progress
        self._person = person
        self._window = window
        self._said = ""

    def show(self, photo: Photo, state: PreviewState) -> None:
        """A picture with what is known about it."""
        if self._window is not None and self._window.open:
            self._window.show(compose(photo, state))
        elif state.prompt != self._said:
            self._said = state.prompt
            self._progress.note(f"{state.title}: {state.prompt}")

    def asked(self) -> Asked | None:
        """What was asked for since the last call: Enter or space goes on, Escape or closing the window stops."""
        keys = self._window.keys() if self._window is not None else []
        if any(key in _STOP for key in keys):
            return "stop"
        if any(key in _GO for key in keys) or self._person.entered():
            return "go"
        return None


@contextmanager
def operator(progress: Progress, person: Person, *, preview: bool) -> Iterator[PreviewOperator]:
    """Somebody to show pictures to; without `preview`, or without a screen, only words."""
    with closing(PreviewWindow()) if preview else nullcontext() as window:
        yield PreviewOperator(progress, window, person)


def watch_camera(progress: Progress, folder: RigFolder, *, display: int | None, person: Person = NOBODY) -> None:
    """Show the camera's live picture in a window until it is closed, grey light from the projector's `display`.

    Raises
    ------
    DeviceError
        If there is no screen for the window, or the rig's devices are missing.
    """
    with open_bench(folder, display=display) as bench, closing(PreviewWindow(projector=display)) as window:
        if not window.wait():
            raise DeviceError("there is no screen for the preview: start it on a desktop, or set DISPLAY")
        model, sheet_height_mm = camera_and_sheet(folder, bench.camera.resolution)
        watcher = PreviewOperator(progress, window, person)
        width, height = bench.display.resolution
        grey = np.full((height, width), _AIMING_CODE, np.uint8)

        def done() -> bool:
            bench.display.show(grey)  # once more: a window has to be looked after
            return watcher.asked() is not None or not window.open

        show = watcher.show
        watch(bench.camera, folder.rig, model=model, sheet_height_mm=sheet_height_mm, show=show, done=done)
