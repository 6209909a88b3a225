"""A scene: a Python function that draws the table anew for every frame."""

import importlib
import logging
import sys
from collections.abc import Callable
from pathlib import Path

from rigwarp.errors import InputError, UsageError
from rigwarp.live.operate.table_drawing import TableDrawing
from rigwarp.live.render.picture import Picture
from rigwarp.live.sources.source import Source
from rigwarp.rig import Content

log = logging.getLogger(__name__)
Scene = Callable[[float, TableDrawing], None]
"""Called with the time in seconds and a cleared drawing."""


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
