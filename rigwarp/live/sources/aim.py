"""The picture that projector and mirror are moved to by hand, with how sharp a camera sees it written on the table."""

import logging
import threading

import numpy as np

from rigwarp.camera.focus import FocusMeter
from rigwarp.devices import Camera
from rigwarp.errors import RigwarpError
from rigwarp.live.operate.check_pictures import aim_canvas, aim_picture
from rigwarp.live.operate.table_drawing import TableDrawing
from rigwarp.live.render.picture import Picture
from rigwarp.rig import Rig

log = logging.getLogger(__name__)
_PAUSE_S = 0.3  # faster numbers cannot be read, and a changed picture takes a while to reach the camera
_LETTER = 1 / 34  # of the content's height
_ABOVE = 0.195


class AimSource:
    """`aim_picture`, and below its middle the words that were told last.

    Attributes
    ----------
    words : on the table from the next picture on.
    """

    round_s: float | None = None

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._plain = aim_picture(rig)
        self._shown, self._said = self._plain, ""
        self.words = ""

    def at(self, time_s: float) -> Picture:
        """The same picture until the words change."""
        words = self.words
        if words != self._said:
            drawing = TableDrawing.over(aim_canvas(self._rig), self._plain.copy())
            content = self._rig.content
            at = content.centre_mm - np.array([0.0, _ABOVE * content.size_mm[1]])
            height_mm = _LETTER * min(content.size_mm)
            drawing.text((float(at[0]), float(at[1])), words, height_mm=height_mm, middle=True, ground=(0, 0, 0))
            self._shown, self._said = drawing.picture, words
        return self._shown

    def close(self) -> None:
        """Nothing to free."""


class FocusWatch:
    """Photographs the table again and again beside the player, and tells the source how sharp it is; a `with` block."""

    def __init__(self, source: AimSource, camera: Camera) -> None:
        self._source, self._camera = source, camera
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rigwarp-focus", daemon=True)

    def __enter__(self) -> "FocusWatch":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        meter = FocusMeter()
        while not self._over.wait(_PAUSE_S):
            try:
                found = meter.look(self._camera.look())
            except RigwarpError as error:
                self._source.words = ""
                log.warning("no live sharpness any more: %s", error)
                return
            if found is not None and found.words != self._source.words:
                self._source.words = found.words
                log.info("%s (gradient energy %.4f, best %.4f)", found.words, found.now, found.best)
