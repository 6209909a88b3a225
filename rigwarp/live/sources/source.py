"""Where pictures come from: the contract, one picture, a folder of them, and scenes.

A scene is a Python function that draws the table anew for every frame. Videos and cameras have their own modules.
"""

import importlib
import logging
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from typing import Protocol

from rigwarp.defaults import DWELL_S, FADE_S
from rigwarp.errors import InputError, RigwarpError, UsageError
from rigwarp.live.operate.table_drawing import TableDrawing
from rigwarp.live.render.picture import AnyPicture, Picture, checked, cross_fade, fitted
from rigwarp.live.worker import Worker
from rigwarp.rig import Content

log = logging.getLogger(__name__)
Scene = Callable[[float, TableDrawing], None]
"""Called with the time in seconds and a cleared drawing."""


class Source(Protocol):
    """Something that has a picture for every moment. `at` never waits: what is not there yet is not shown yet."""

    @property
    def round_s(self) -> float | None:
        """Seconds from one end of a loop or dwell to the next; None when no moment is better than another."""
        return None

    def at(self, time_s: float) -> AnyPicture:
        """The picture to show `time_s` after the start; the same object as before when nothing has changed.

        Time may jump, in either direction, when somebody seeks.
        """

    def close(self) -> None:
        """Free what the source holds, if anything; calling it twice is fine."""
        return


class StillSource(Source):
    """One picture, for ever."""

    round_s: float | None = None

    def __init__(self, picture: Picture) -> None:
        self._picture = checked(picture)

    def at(self, time_s: float) -> Picture:
        """The picture."""
        return self._picture


class FolderSource:
    """The pictures of a folder, one after the other, each fading into the next, round and round.

    Parameters
    ----------
    files : the pictures in their order.
    read : how to read one.
    size : (width, height) of the canvas that each is fitted to, its aspect kept.
    dwell_s : time from one picture to the next.
    fade_s : the last part of it, in which the next one comes up; at most `dwell_s`.

    The next picture is read in the background. One that cannot be read is left out, with a line in the log.
    """

    def __init__(
        self,
        files: Sequence[Path],
        read: Callable[[Path], Picture],
        size: tuple[int, int],
        *,
        dwell_s: float = DWELL_S,
        fade_s: float = FADE_S,
    ) -> None:
        if not files or dwell_s <= 0:
            raise InputError(f"found {len(files)} pictures and a dwell time of {dwell_s:g} s, expected one or more")
        self._files, self._read, self._size = list(files), read, size
        self._dwell_s, self._fade_s = dwell_s, min(max(fade_s, 0.0), dwell_s)
        self.round_s = dwell_s  # at its end the next picture has come up entirely
        self._worker = Worker("rigwarp-folder")
        self._closed = False
        self._loaded: dict[int, Future[Picture | None]] = {}
        self._last: Picture | None = None
        self._last_key: tuple[int, int] | None = None
        first = next((p for p in map(self._load, range(len(self._files))) if p is not None), None)
        if first is None:
            self.close()
            raise InputError(f"none of the {len(self._files)} pictures of {self._files[0].parent} can be read")
        self._shown = first

    def at(self, time_s: float) -> Picture:
        """The picture of this moment, or the mixture of two."""
        turn, into_s = divmod(max(time_s, 0.0), self._dwell_s)
        now, following = int(turn) % len(self._files), (int(turn) + 1) % len(self._files)
        share = (into_s - (self._dwell_s - self._fade_s)) / self._fade_s if self._fade_s else 0.0
        step = round(max(share, 0.0) * 256) if following != now else 0
        if (now, step) == self._last_key and self._last is not None:
            return self._last
        current, coming = self._ready(now), self._ready(following)
        for gone in set(self._loaded) - {now, following}:
            del self._loaded[gone]
        if current is None:
            return self._shown  # not read yet, or unreadable: hold what is there
        picture = current if step == 0 or coming is None else cross_fade(current, coming, step / 256)
        if step == 0 or coming is not None:
            self._last_key = (now, step)
        self._last = self._shown = picture
        return picture

    def close(self) -> None:
        """Stop reading ahead; a disk that hangs is left to the thread."""
        self._closed = True
        self._worker.close()

    def _ready(self, number: int) -> Picture | None:
        """A picture if it has been read; otherwise reading it begins."""
        if number not in self._loaded:
            self._loaded[number] = self._worker.submit(partial(self._load, number))
        future = self._loaded[number]
        return future.result() if future.done() else None

    def _load(self, number: int) -> Picture | None:
        if self._closed:
            return None
        try:
            return fitted(self._read(self._files[number]), self._size)
        except RigwarpError as error:
            log.warning("left out: %s", error)
            return None


class SceneSource(Source):
    """A scene as a source. When the scene fails, the last picture stays and the reason goes to the log, once."""

    def __init__(self, scene: Scene, content: Content) -> None:
        self._scene, self._content = scene, content
        self._complaint = ""
        self._last_s: float | None = None
        self._shown = TableDrawing(content).picture

    def at(self, time_s: float) -> Picture:
        """The scene's picture of this moment; the same one while time stands still."""
        if time_s == self._last_s:
            return self._shown
        self._last_s = time_s
        drawing = TableDrawing(self._content)
        try:
            self._scene(time_s, drawing)
        except Exception as error:  # somebody else's code, which must not end an exhibition
            complaint = f"the scene failed at {time_s:.2f} s: {type(error).__name__}: {error}"
            if complaint.partition(": ")[2] != self._complaint.partition(": ")[2]:
                log.warning("%s", complaint)
            self._complaint = complaint
            return self._shown
        self._shown = drawing.picture
        return self._shown


def load_scene(name: str) -> Scene:
    """The function `module:function`; modules in the working folder are found too.

    Raises
    ------
    UsageError, InputError
        When the name is not of that form, or there is no such module or function.
    """
    module, colon, function = name.partition(":")
    if not (module and colon and function):
        raise UsageError(f"--scene {name}: expected module:function, such as clock:draw")
    here = str(Path.cwd())
    if here not in sys.path:
        sys.path.insert(0, here)
    try:
        found = getattr(importlib.import_module(module), function)
    except (ImportError, AttributeError, SyntaxError) as error:
        raise InputError(f"--scene {name}: {error}. Check the module, the function, and the working folder.") from error
    if not callable(found):
        raise InputError(f"--scene {name}: found a {type(found).__name__}, expected a function of time and drawing.")
    scene: Scene = found
    return scene
