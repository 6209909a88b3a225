"""Watching a show for drift: a quick look at quiet moments of the show, and the correction swapped in.

The player lends its window for the second that five photographs take; judging and correcting run beside it in a thread
of their own. A corrected result becomes current only after a second look has shown that it is better; the player takes
a new current result over by itself.
"""

import logging
import threading
from collections.abc import Sequence
from contextlib import ExitStack
from types import TracebackType

import numpy as np

from rigwarp.devices import VIRTUAL, Camera, Display, Frame, open_virtual
from rigwarp.errors import DeviceError, RigwarpError
from rigwarp.files import RigFolder
from rigwarp.geometry import Photo
from rigwarp.jobs.checks.drift import quick_check, reregister
from rigwarp.jobs.checks.quick_look import take_look
from rigwarp.live.operate.interlude import Interludes, Quiet

log = logging.getLogger(__name__)
_HOUR_S = 3600.0
_PATIENCE_S = 1800.0  # content without an end is interrupted at any untouched moment after this long
_TRIES = 3  # somebody who takes the window back is asked again


class DriftWatch:
    """Looks for drift from time to time while content plays.

    Parameters
    ----------
    folder : the rig that is playing.
    interludes : of the running session.
    hours : from one look to the next; the first comes after as long.
    quiet : what counts as a quiet moment.
    camera, display : the rig's camera, and what has to show the frames too: a virtual rig's own display. Without a
        camera the one of the rig file is opened.
    """

    def __init__(
        self,
        folder: RigFolder,
        interludes: Interludes,
        *,
        hours: float,
        quiet: Quiet | None = None,
        camera: Camera | None = None,
        display: Display | None = None,
    ) -> None:
        self._folder, self._interludes = folder, interludes
        self._period_s = hours * _HOUR_S
        self._quiet = quiet or Quiet(patience_s=_PATIENCE_S)
        self._devices = ExitStack()
        self._camera, self._also = camera, display
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="rigwarp-drift", daemon=True)
        self.looks = 0
        self.corrections = 0

    def __enter__(self) -> "DriftWatch":
        """Open the camera, so that what is wrong with it is told before the show, and begin to wait."""
        if self._camera is None:
            self._open_camera()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop waiting, finish what is being written, and give the camera back."""
        self._ended.set()
        self._interludes.cancel()
        self._thread.join(timeout=60.0)
        self._devices.close()

    @property
    def exposure_s(self) -> float | None:
        """Of the camera, seconds."""
        return self._camera.exposure_s if self._camera is not None else None

    def look(self, frames: Sequence[Frame], *, exposure_s: float = np.nan) -> list[Photo]:
        """Wait for a quiet moment, show the frames in the player's window and photograph them.

        Raises
        ------
        DeviceError
            When the window was taken back every time, or the show has ended.
        """
        for _ in range(_TRIES):
            photos = self._lent(frames, exposure_s)
            if photos is not None:
                self.looks += 1
                return photos
        raise DeviceError("the window was needed for content every time: no look at the table was possible")

    def once(self) -> None:
        """One look now, at the next quiet moment, and what follows from it."""
        check = quick_check(self._folder, self)
        judged = check.judged
        log.info("drift: %s; P95 %.3f mm", ", ".join(judged.findings) or "none", judged.picture.p95_mm)
        if judged.advice == "scan":
            log.warning("a new scan is due: %s. Run: rigwarp calibrate %s", judged.why, self._folder.root)
        if judged.advice != "re-register":
            return
        done = reregister(self._folder, check, self)
        self.corrections += done.kept
        if done.kept:
            log.warning("%s: corrected, P95 %.3f mm now", ", ".join(judged.findings), done.picture.p95_mm)
        else:
            log.warning("a correction was tried and was no better; a new scan is due: %s", judged.why)

    def _watch(self) -> None:
        while not self._ended.wait(self._period_s):
            try:
                self.once()
            except RigwarpError as error:
                if not self._ended.is_set():
                    log.warning("looking for drift failed: %s", error)
            except Exception:  # the show must not end for whatever a disk or a camera comes up with
                log.exception("looking for drift failed")

    def _lent(self, frames: Sequence[Frame], exposure_s: float) -> list[Photo] | None:
        """The photographs of one interlude; None when it was broken off."""
        taken: list[Photo] = []
        done = threading.Event()

        def measure(display: Display) -> None:
            try:
                assert self._camera is not None
                shown = display if self._also is None else _Both(display, self._also)
                taken.extend(take_look(shown, self._camera, frames, exposure_s=exposure_s))
            finally:
                done.set()

        self._interludes.ask(measure, quiet=self._quiet)
        while not done.wait(0.2):
            if self._ended.is_set():
                raise DeviceError("the show has ended before the table could be looked at")
        return taken if len(taken) == len(frames) else None

    def _open_camera(self) -> None:
        wanted = self._folder.rig.camera
        if wanted.device == VIRTUAL:
            virtual = open_virtual(self._folder)
            virtual.prepare()  # now, not while the show stands still
            self._camera, self._also = virtual.camera, virtual.display
            return
        from rigwarp.devices.video_camera import open_video_camera

        self._camera = open_video_camera(wanted.device, wanted.resolution)
        self._devices.callback(self._camera.close)


class _Both:
    """Shows frames on two displays: the player's window, and the one that a virtual camera sees."""

    def __init__(self, window: Display, other: Display) -> None:
        self._window, self._other = window, other

    @property
    def resolution(self) -> tuple[int, int]:
        """(width, height) of the window."""
        return self._window.resolution

    def show(self, frame: Frame) -> None:
        """Show a frame on both."""
        self._window.show(frame)
        self._other.show(frame)

    def close(self) -> None:
        """Neither belongs to it."""
