"""The picture that projector and mirror are moved to by hand, with how sharp a camera sees it written on the table."""

import logging
import threading
from collections.abc import Callable

import numpy as np

from rigwarp.camera.focus import FocusMeter
from rigwarp.devices import Camera
from rigwarp.errors import RigwarpError
from rigwarp.live.operate.check_pictures import aim_canvas, aim_picture
from rigwarp.live.operate.table_drawing import TableDrawing
from rigwarp.live.render.picture import Picture
from rigwarp.live.sources.source import Source
from rigwarp.rig import Rig

log = logging.getLogger(__name__)
_AGAIN_S = 3.0  # after a camera that failed
_PAUSE_S = 0.3  # faster numbers cannot be read, and a changed picture takes a while to reach the camera
_LETTER = 1 / 34  # of the content's height
_ABOVE = 0.195


class AimSource(Source):
    """`aim_picture`, and below its middle `words`: those on the table from the next picture on."""

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


class FocusWatch:
    """Photographs the table again and again beside the player, and tells the source how sharp it is; a `with` block.

    A job of the page beside the table gets the camera: it is closed here meanwhile, as most cameras serve one program
    alone. At the end it is closed, too; `again` opens it anew when it was given back.
    """

    def __init__(self, source: AimSource, camera: Camera, *, again: Callable[[], Camera]) -> None:
        self._source, self._again = source, again
        self._camera: Camera | None = camera
        self._given_away = False
        self._using = threading.Lock()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rigwarp-focus", daemon=True)

    def __enter__(self) -> "FocusWatch":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self._drop_camera()

    def give_camera(self, away: bool) -> None:
        """Let go of the camera, after the photograph that is being taken, until it is given back."""
        with self._using:
            self._given_away = away
            if away:
                self._source.words = ""
                self._drop_camera()

    def _run(self) -> None:
        meter, failed = FocusMeter(), ""
        while not self._over.wait(_PAUSE_S if not failed else _AGAIN_S):
            try:
                self._look(meter)
                failed = ""
            except RigwarpError as error:
                self._source.words = ""
                with self._using:
                    self._drop_camera()
                if str(error) != failed:
                    log.warning("no live sharpness for now: %s", error)
                failed = str(error)

    def _look(self, meter: FocusMeter) -> None:
        """Once, unless somebody else has the camera."""
        with self._using:
            if self._given_away:
                return
            if self._camera is None:
                self._camera = self._again()
            found = meter.look(self._camera.look())
            if found is not None and found.words != self._source.words:
                self._source.words = found.words
                log.info("%s (gradient energy %.4f, best %.4f)", found.words, found.now, found.best)

    def _drop_camera(self) -> None:
        camera, self._camera = self._camera, None
        if camera is not None:
            camera.close()
